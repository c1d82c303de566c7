"""Questions beside the two big ones: what if, since when, and how leaky the empty box is."""
