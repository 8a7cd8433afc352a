"""What a discharge test found, in a reader's language."""

from __future__ import annotations

from dataclasses import dataclass, replace

from forecaster.domain.discharge import DischargeResult
from forecaster.domain.helps import Help
from forecaster.texts.catalogue import Words, decoded


@dataclass(frozen=True, slots=True)
class ResultSaid:
    """A result in a reader's language: the verdict first, then reasons, cautions, and what would help."""

    verdict: str
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    helps: tuple[Help, ...]


def result_said(result: DischargeResult, words: Words) -> ResultSaid:
    """A result in the reader's language; that of an older build as it was written."""
    plain = (result.verdict, *result.reasons, *result.cautions, *(one.what for one in result.helps))
    if len(result.codes) == len(plain):
        plain = tuple(words.again(decoded(code, text)) for code, text in zip(result.codes, plain, strict=True))
    first = 1 + len(result.reasons)
    then = first + len(result.cautions)
    helps = tuple(replace(one, what=what) for one, what in zip(result.helps, plain[then:], strict=True))
    return ResultSaid(plain[0], plain[1:first], plain[first:then], helps)
