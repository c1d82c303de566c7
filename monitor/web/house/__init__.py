"""The house behind the boxes: sensors, rejected messages, health, beads and appliances, labels."""
