"""Between decoder and store: whether a channel's values can be samples, by what its messages tell of its devices."""
