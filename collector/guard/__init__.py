"""Between decoder and store: decides from a channel's messages which of its values can be samples."""
