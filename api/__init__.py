"""The faces: HTTP, pages, event stream, deliveries and the command line. Everything is wired here."""
