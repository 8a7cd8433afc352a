"""Tests; see DEVELOPERS.md for how they are laid out."""
