"""Words that people read, one module a language: a translation is one file beside `en.py` with the same keys.

Placeholders in braces are filled by `forecaster.texts.wording` and `forecaster.alarms`; a test holds every language to
the keys and placeholders of English.
"""
