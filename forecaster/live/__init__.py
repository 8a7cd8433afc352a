"""The engine at work on a live installation: one thread over ports, no sockets and no files of its own."""
