"""Pure computation: from readings to hours remaining. No sockets, no files, no clock of its own."""
