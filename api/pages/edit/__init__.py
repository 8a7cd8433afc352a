"""Pages that change a site: its file as forms, shown before it is saved, and taken back."""
