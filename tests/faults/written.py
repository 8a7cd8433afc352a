"""Who wrote what into a ledger on PostgreSQL, told by the database itself: forecasts and alarms beside the leases.

Triggers put every write into one sequence. Whoever writes under a lease holds its row until the end of the transaction,
and a lease changes hands only when nobody holds its row: so the sequence tells of every forecast and every alarm who
had the lease of its site at that moment, whatever the program believes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import text

from collector.rendezvous import SHARES
from collector.share import share_of
from collector.store.ledger import SqlLedger

NOTE = """
CREATE TABLE written (seq BIGSERIAL PRIMARY KEY, what TEXT, key TEXT, who TEXT);
CREATE FUNCTION note_site() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
  INSERT INTO written (what, key, who) VALUES (TG_TABLE_NAME, NEW.site, current_setting('application_name'));
  RETURN NULL;
END $$;
CREATE FUNCTION note_lease() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
  INSERT INTO written (what, key, who) VALUES (TG_TABLE_NAME, NEW.share, NEW.owner);
  RETURN NULL;
END $$;
CREATE TRIGGER note AFTER INSERT OR UPDATE ON newest_forecasts FOR EACH ROW EXECUTE FUNCTION note_site();
CREATE TRIGGER note AFTER INSERT ON transitions FOR EACH ROW EXECUTE FUNCTION note_site();
CREATE TRIGGER note AFTER UPDATE ON leases FOR EACH ROW
  WHEN (NEW.role = 'forecast' AND NEW.number IS DISTINCT FROM OLD.number) EXECUTE FUNCTION note_lease();
"""


@dataclass(frozen=True)
class Written:
    """Forecasts and alarm transitions written, and how many of both by somebody who had not the lease of the site."""

    forecasts: int
    transitions: int
    by_others: int


def note_writes(ledger: SqlLedger) -> None:
    """Note every write from now on. Each machine connects under its name as the application's."""
    with ledger.engine.begin() as connection:
        connection.execute(text(NOTE))


def written(ledger: SqlLedger, members: Mapping[str, str]) -> Written:
    """What was noted. members : the machine of each member, by the member's name"""
    with ledger.engine.connect() as connection:
        rows = connection.execute(text("SELECT what, key, who FROM written ORDER BY seq")).all()
    owners: dict[int, str] = {}
    counts, others = {"newest_forecasts": 0, "transitions": 0}, 0
    for what, key, who in rows:
        if what == "leases":
            owners[int(key)] = members[who]
        else:
            counts[what] += 1
            others += owners[share_of(key, SHARES)] != who
    return Written(counts["newest_forecasts"], counts["transitions"], others)
