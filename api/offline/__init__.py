"""Work on a log, a broker or a record, without the running service."""
