"""Pages that change a site: forms of its file whose changes are shown before they are saved, and can be taken back."""
