"""What a discharge test found, in a reader's language."""

from __future__ import annotations

from forecaster.domain.discharge import DischargeResult
from forecaster.texts.catalogue import Words, decoded


def result_texts(result: DischargeResult | None, words: Words) -> tuple[str | None, tuple[str, ...], tuple[str, ...]]:
    """Verdict, reasons and cautions in the reader's language; of an older build's result as they were written."""
    if result is None:
        return None, (), ()
    plain = (result.verdict, *result.reasons, *result.cautions)
    if len(result.codes) == len(plain):
        plain = tuple(words.again(decoded(code, text)) for code, text in zip(result.codes, plain, strict=True))
    first = 1 + len(result.reasons)
    return plain[0], plain[1:first], plain[first:]
