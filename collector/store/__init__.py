"""Where readings and the ledger live; one contract suite each, several engines."""
