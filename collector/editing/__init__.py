"""Changes of a site file by a program: validated, compared, written whole, and taken back."""
