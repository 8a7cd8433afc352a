"""The answer before a trip: the chance of a wet floor over a span, its causes, and what helps most."""
