"""From the bytes of a message to readings."""
