"""Words that people read: one TOML file a language, and how times, ranges and quantities are said.

`catalogue.words` reads a language, `wording.Wording` says times and quantities with it.
"""
