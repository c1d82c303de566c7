"""What a program that draws and alerts reads of the boxes."""
