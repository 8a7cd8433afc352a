"""The pack: what is believed of its charge, capacity and losses, and what charges it."""
