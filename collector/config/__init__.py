"""The installation and its sites, as files."""
