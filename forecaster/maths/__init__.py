"""Statistics and arrays that know nothing of pumps."""
