"""A damaged ledger: what can be read is taken over, what cannot is told, and nothing of it opens a door."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest

from api.http.keyring import new_token, revoke_token
from api.process.services import Services, open_services, require_door
from collector.config.settings import load_installation
from forecaster.domain.ports import Ledger
from forecaster.domain.records import LEDGER_LOSS, LedgerLoss
from tests.api.delivering import SteppedClock, told
from tests.bench.fleet import write_fleet

PAGE = 4096
TOKENS = 200
"""So many that they lie on several pages."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_fleet(tmp_path, 1, "mqtt://127.0.0.1:1", "sqlite:///outlast.db")
    with (tmp_path / "outlast.toml").open("a") as file:
        file.write('[http]\nhost = "0.0.0.0"\n')
    return tmp_path


@contextmanager
def opened(folder: Path) -> Iterator[Services]:
    services = open_services(load_installation(folder), SteppedClock(), owner=True, role="test")
    try:
        yield services
    finally:
        services.close()


def filled(folder: Path, tokens: int) -> list[str]:
    """A ledger with tokens, one of them revoked, and an alarm; the secrets."""
    with opened(folder) as services:
        made = [new_token(services.ledger, services.clock, f"phone {n}", "read", None) for n in range(tokens)]
        revoke_token(services.ledger, services.clock, made[0][0].id)
        services.ledger.commit_transitions([told(site="cellar-00000")], [], [])
    return [secret for _, secret in made]


def harm(path: Path, text: bytes = b"") -> None:
    """Overwrite the pages that hold a text, all if none is given, but for the first."""
    held = path.read_bytes()
    places = [place for place in range(1, len(held) // PAGE) if text in held[place * PAGE : (place + 1) * PAGE]]
    assert places
    with path.open("r+b") as file:
        for place in places:
            file.seek(place * PAGE)
            file.write(random.Random(place).randbytes(PAGE))


def loss_of(ledger: Ledger) -> LedgerLoss:
    noted = ledger.noted(LEDGER_LOSS)
    assert noted is not None
    return msgspec.json.decode(noted, type=LedgerLoss)


def test_what_can_be_read_is_taken_over(folder: Path) -> None:
    """In: 200 tokens, the page of one of them overwritten. Out: what can be read lets in, the revoked one does not."""
    secrets = filled(folder, TOKENS)
    harm(folder / "outlast-ledger.db", b"phone 123")
    with opened(folder) as services:
        loss = loss_of(services.ledger)
        kept = {token.id for token in services.ledger.tokens()}
        assert 0 < loss.tokens == len(kept) < TOKENS
        assert loss.at_ms == services.clock.now_ms()
        assert "corrupt" in loss.why
        let_in = [secret for secret in secrets if services.keyring.token(secret) is not None]
        assert secrets[0] not in let_in
        assert len(let_in) in (0, loss.tokens, loss.tokens - 1)  # none where the key of the hashes was lost
        assert services.loss == loss
        assert [text for who, text in services.troubles() if who == "ledger"] == [loss.why]


@pytest.mark.parametrize("how", ["overwritten", "emptied", "removed"])
def test_a_ledger_that_is_lost_whole_opens_no_door_and_keeps_nobody_blind(folder: Path, how: str) -> None:
    """In: 20 tokens. Out: none of them lets in, the house is watched on all the same, and the loss is told."""
    secrets = filled(folder, 20)
    ledger = folder / "outlast-ledger.db"
    if how == "overwritten":
        harm(ledger)
    elif how == "emptied":
        ledger.write_bytes(b"")
    else:
        ledger.unlink()
    with opened(folder) as services:
        assert services.login_needed
        require_door(services)  # does not refuse to start
        assert [secret for secret in secrets if services.keyring.token(secret) is not None] == []
        assert loss_of(services.ledger).tokens == 0
    with opened(folder) as again:
        assert again.loss is not None
        assert again.loss.tokens == 0
