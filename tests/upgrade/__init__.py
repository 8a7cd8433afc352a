"""An installation made by an older build, kept small, and taken up by this one in every run."""
