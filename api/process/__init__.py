"""A process of an installation: its services, its parts, and how it starts, changes and ends."""
