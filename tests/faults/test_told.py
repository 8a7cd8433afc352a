"""Told means told, on whole processes: receivers that refuse or hang, a real mail server, a real broker, a kill."""

from __future__ import annotations

import re
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session

from forecaster.domain.ports import Ledger
from forecaster.domain.records import Notice, NoticeOutcome
from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.api.deliver.test_lanes import hanging
from tests.engines import wait_until
from tests.faults.test_processes_killed import looking, outlast
from tests.faults.test_remarks import PATIENCE_S, House
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

pytestmark = pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")  # aiosmtpd leaves its last connection open


class Choosy(Mailbox):
    """Takes mails but for those whom it does not know."""

    def __init__(self, unknown: frozenset[str]) -> None:
        super().__init__()
        self.unknown = unknown
        self.refused = 0

    async def recipient(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.unknown:
            self.refused += 1
            return "550 5.1.1 no such mailbox"
        return await super().recipient(server, session, envelope, address, options)


def mail_of(port: int) -> str:
    return f'[mail]\nhost = "127.0.0.1"\nport = {port}\nsecurity = "none"\nsender = "pump@example.org"\n'


def notices(ledger: Ledger, kind: str = "mains-lost") -> list[Notice]:
    found = [alarm.id for alarm in ledger.alarms("larkspur") if alarm.kind.value == kind]
    return ledger.notices(found)


FAMILY = """[[contacts]]
name = "owner"
email = "owner@example.org"
webhook = "http://127.0.0.1:{hook}/owner"
[[contacts]]
name = "neighbour"
email = "neighbour@example.org"
after_min = 600
"""


@pytest.mark.timeout(900)
def test_the_second_person_is_told_early_and_nobody_twice_over_a_kill(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: the mains lost; the owner's mailbox refused, their webhook hanging; the neighbour's turn in ten hours.
    Killed once the neighbour was told. Out: the neighbour is told now, and nothing a second time."""
    box = Choosy(frozenset({"owner@example.org"}))
    folder = tmp_path / "house"
    with hanging() as (hook, come, _), serving(box, tmp_path, "none") as settings:
        house = House(folder, mosquitto, site=FAMILY.format(hook=hook), settings=mail_of(settings.port))
        with closing(house.client), looking(folder) as (_, ledger):
            with outlast("run", folder):
                wait_until(house.ready, "outlast run", PATIENCE_S)
                house.keep_saying(lambda: house.supply() == "mains", "no forecast on mains", mains=True, charge=90)
                house.keep_saying(lambda: bool(told(ledger)), "the neighbour was not told", mains=False, charge=88)
                assert come.is_set()
                assert box.refused == 1
            vain = {n.channel: n.outcome for n in notices(ledger) if n.who == "owner"}
            assert vain == {"mail": NoticeOutcome.FAILED, "webhook": NoticeOutcome.FAILING}
            [sent] = told(ledger)
            assert sent.who == "neighbour"
            [owner] = [n for n in notices(ledger) if n.channel == "webhook"]
            come.clear()
            with outlast("run", folder):
                house.keep_saying(come.is_set, "the owner's webhook is not tried again", mains=False, charge=87)
                wait_until(lambda: attempts(ledger) > owner.attempts, "the attempt's end", PATIENCE_S)
            assert set(told(ledger)) >= {sent}
    keys = Counter(mail["Outlast-Key"] for mail in box.mails)
    assert set(keys.values()) == {1}
    assert {mail["To"] for mail in box.mails} == {"neighbour@example.org"}
    first = box.mails[0].get_body(("plain",))
    assert first is not None
    assert first.get_content().startswith("Larkspur Lane cellar")
    clocks = re.findall(r"\d\d:\d\d(?: [A-Z]+)?", first.get_content())
    assert clocks
    assert [clock for clock in clocks if not clock.endswith((" CST", " CDT"))] == []


LETTERS = """[[contacts]]
name = "{who}"
email = "{who}@example.org"
weekly_letter = "{kind}"
"""


@pytest.mark.timeout(900)
def test_a_weekly_letter_comes_once_whatever_is_killed_and_started(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: a contact with a letter, killed once it has come; a second contact, then started. Out: a letter to each, the
    first not again."""
    box, folder = Mailbox(), tmp_path / "house"
    with serving(box, tmp_path, "none") as settings:
        house = House(
            folder, mosquitto, site=LETTERS.format(who="owner", kind="homeowner"), settings=mail_of(settings.port)
        )
        with closing(house.client):
            with outlast("run", folder):
                wait_until(house.ready, "outlast run", PATIENCE_S)
                house.keep_saying(lambda: bool(box.mails), "no letter came", mains=True, charge=97)
            file = folder / "sites" / "larkspur.toml"
            file.write_text(file.read_text() + LETTERS.format(who="manager", kind="manager"))
            with outlast("run", folder):
                house.keep_saying(lambda: len(box.mails) > 1, "no second letter came", mains=True, charge=97)
    assert [mail["To"] for mail in box.mails] == ["owner@example.org", "manager@example.org"]
    assert box.mails[0]["Subject"].startswith("Larkspur Lane cellar: ")


def told(ledger: Ledger) -> list[Notice]:
    return [notice for notice in notices(ledger) if notice.outcome is NoticeOutcome.TOLD]


def attempts(ledger: Ledger) -> int:
    return max((n.attempts for n in notices(ledger) if n.channel == "webhook"), default=0)
