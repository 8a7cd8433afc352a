"""One module a command group; api/cli.py loads them by name when they are called."""
