"""One outage told whole: what came, what was foreseen, who was told, and how much of it was heard."""
