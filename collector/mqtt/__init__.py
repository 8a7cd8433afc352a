"""The broker: our session there, listening for a while, and a broker inside this process."""
