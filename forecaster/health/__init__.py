"""What the long record says of each part of the house."""
