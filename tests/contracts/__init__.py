"""One suite a port; every implementation passes it unchanged, by a subclass that makes the fixture."""
