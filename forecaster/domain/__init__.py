"""The vocabulary: frozen dataclasses and protocols on the standard library alone.

Import from the module that owns the word: `from forecaster.domain.readings import Reading`.
"""
