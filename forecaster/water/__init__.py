"""The water: how much comes in, how it will fall, and the storms still to come."""
