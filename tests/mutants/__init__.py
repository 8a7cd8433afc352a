"""Mutants: the core with one constant, sign, comparison or return changed, each held against the tests of its room."""
