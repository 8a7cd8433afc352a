"""What every Ledger does. A subclass gives the fixture `ledger`: an empty ledger, closed after the test."""

from __future__ import annotations

import dataclasses
import json
import math

import msgspec
import pytest

from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.discharge import DischargeResult, DischargeTest, EndReason
from forecaster.domain.errors import NotFound, StoreRefused
from forecaster.domain.longrecord import Day, HousePart, StudyRecord, WorkDone, WorkKind
from forecaster.domain.ports import Ledger
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Refusal
from forecaster.domain.records import (
    AlarmQuery,
    Checkpoint,
    Delivery,
    HeldMessage,
    LoginSession,
    Notice,
    NoticeOutcome,
    PushSubscription,
    RunTotals,
    SiteEdit,
    StoredForecast,
    Token,
)
from forecaster.domain.runs import Event, Gap, Outage, Run, Supply, Transfer

T0 = 1_772_510_700_000
DAY = 86_400_000


def run(start_s: float, run_s: float = 10.0, energy_wh: float | None = 1.5, site: str = "larkspur") -> Run:
    start = T0 + round(start_s * 1000)
    return Run(
        site, start, start + round(run_s * 1000), energy_wh, 480.0, 500.5, Quantity.PUMP_POWER, Supply.PACK, 5, True
    )


def alarm(revision: int = 0, episode: int = T0, cleared_ms: int | None = None) -> Alarm:
    return Alarm(
        id=f"larkspur:mains-lost:{episode}",
        site="larkspur",
        kind=AlarmKind.MAINS_LOST,
        priority=Priority.HIGH,
        state=AlarmState.UNACKNOWLEDGED if cleared_ms is None else AlarmState.NORMAL,
        episode=episode,
        raised_ms=episode,
        changed_ms=episode + revision * 1000,
        headline="Mains lost — “the pump” runs from the pack",
        action="Look after the pack",
        consequence="The floor gets wet",
        by_ms=T0 + DAY,
        cleared_ms=cleared_ms,
        revision=revision,
    )


def transition(of: Alarm, kind: TransitionKind = TransitionKind.RAISED) -> AlarmTransition:
    return AlarmTransition(of, kind, of.changed_ms)


def delivery(key: str, created_s: float = 0.0, channel: str = "mail") -> Delivery:
    created = T0 + round(created_s * 1000)
    return Delivery(key, channel, "owner@example.org", "larkspur", '{"a":"é"}', created, created, created + DAY)


def day(number: int, runs: int = 5) -> Day:
    start_ms = T0 + number * DAY
    return Day("larkspur", f"2026-03-{number + 1:02d}", start_ms, start_ms + DAY, 86_400.0, 10.0, runs, run_s=50.0)


class LedgerContract:
    """Subclass, and give the fixture `ledger`."""

    def test_an_empty_ledger_answers(self, ledger: Ledger) -> None:
        assert ledger.runs("larkspur", 0, T0, 10).runs == ()
        assert ledger.run_totals("larkspur", 0, T0, 10) == []
        assert ledger.outages("larkspur") == []
        assert ledger.newest() == {}
        assert ledger.forecasts("larkspur", 0, T0) == []
        assert ledger.checkpoint("engine", "larkspur") is None
        assert ledger.alarms() == []
        assert ledger.due("mail", T0) == []
        assert ledger.oldest_undelivered_ms() is None
        assert ledger.requests(0) == []
        assert ledger.tests("larkspur") == []
        assert ledger.tokens() == []
        assert ledger.subscriptions() == []
        assert ledger.refusals() == []
        assert ledger.held(10) == []
        assert ledger.noted("x") is None
        assert ledger.members() == []
        assert ledger.prune(T0) == 0
        assert ledger.health().ok
        with pytest.raises(NotFound):
            ledger.alarm("nothing")

    # -- what the engine found

    def test_events_are_kept_once_and_replaced_by_a_later_telling(self, ledger: Ledger) -> None:
        gap = Gap("larkspur", Quantity.PUMP_POWER, T0, T0 + 60_000)
        outage = Outage("larkspur", T0, None, True, 90.0, forecast_h=(8.0, 9.5, 11.0))
        events: list[Event] = [
            run(0),
            run(180),
            gap,
            Transfer("larkspur", T0, Supply.PACK, False),
            outage,
            run(0, site="b"),
        ]
        ledger.record(events)
        ledger.record(events)
        done = dataclasses.replace(outage, end_ms=T0 + DAY, lowest_charge_percent=41.0)
        longer = run(180, 12.0)
        ledger.record([run(180, 11.0), longer, done])
        assert ledger.runs("larkspur", T0, T0 + DAY, 10).runs == (longer, run(0))
        assert ledger.outages("larkspur") == [done]
        ledger.record([])

    def test_an_event_that_holds_nan_is_refused(self, ledger: Ledger) -> None:
        with pytest.raises(StoreRefused):
            ledger.record([run(0, energy_wh=math.nan)])

    def test_runs_are_paged_newest_first(self, ledger: Ledger) -> None:
        ledger.record([run(i * 180) for i in range(10)])
        seen: list[Run] = []
        page = ledger.runs("larkspur", T0, T0 + 9 * 180_000, 4)
        seen.extend(page.runs)
        while page.cursor is not None:
            page = ledger.runs("larkspur", T0, T0 + 9 * 180_000, 4, page.cursor)
            seen.extend(page.runs)
        assert seen == [run(i * 180) for i in range(8, -1, -1)]
        for odd in ("nonsense", "", "1.5", "-5", "-", "9" * 30, "²5"):
            with pytest.raises(StoreRefused, match="cursor"):
                ledger.runs("larkspur", T0, T0 + DAY, 4, odd)

    def test_runs_are_added_up_by_buckets(self, ledger: Ledger) -> None:
        ledger.record(
            [run(0, 10, 1.0), run(50, 12, 2.0), run(250, 7, None), run(400, 9, 1.0), run(-1), run(0, site="b")]
        )
        assert ledger.run_totals("larkspur", T0, T0 + 400_000, 4) == [
            RunTotals(T0, 2, 22.0, 10.0, 12.0, 3.0),
            RunTotals(T0 + 200_000, 1, 7.0, 7.0, 7.0, None),
        ]

    def test_the_newest_outage_of_each_of_some_sites(self, ledger: Ledger) -> None:
        """In: two outages of one site, one of each of two others, a transfer at the same moment as the newest."""
        early, late = Outage("a", T0, T0 + 5, False), Outage("a", T0 + 9, None, False)
        other = Outage("b", T0 + 3, T0 + 4, False)
        ledger.record([late, early, other, Outage("c", T0, None, False), Transfer("a", T0 + 9, Supply.PACK, False)])
        assert ledger.newest_outages(["b", "a", "nobody"]) == {"a": late, "b": other}
        assert ledger.newest_outages([]) == {}

    def test_runs_of_some_sites(self, ledger: Ledger) -> None:
        """In: runs of three sites, one of them a second pump's. Out: those of the two asked for, in the span."""
        of_a, of_b = [run(s, site="a") for s in (3.0, 1.0, 2.0)], [run(s, site="b") for s in (0.0, 2.0)]
        ledger.record([*of_b, *of_a, run(1.0, site="c"), dataclasses.replace(run(1.5, site="a"), pump="spare")])
        assert ledger.runs_of(["b", "a", "nobody"], T0 + 1000, T0 + 3000) == [of_a[1], of_a[2], of_b[1]]
        assert ledger.runs_of([], 0, T0 + 9000) == []

    # -- forecasts and checkpoints

    def test_the_newest_forecast_and_the_past_ones(self, ledger: Ledger) -> None:
        made = [StoredForecast("larkspur", T0 + i * 1000, f'{{"i":{i}}}') for i in range(5)]
        other = StoredForecast("b", T0, "{}")
        ledger.publish([made[0], other])
        ledger.publish(made[1:])
        assert ledger.newest() == {"larkspur": made[4], "b": other}
        assert ledger.newest(["b", "c"]) == {"b": other}
        assert ledger.issued() == {"larkspur": made[4].issued_ms, "b": T0}
        assert ledger.issued(made[4].issued_ms) == {"larkspur": made[4].issued_ms}
        assert ledger.issued(made[4].issued_ms + 1) == {}
        assert ledger.forecasts("larkspur", T0 + 1000, T0 + 4000) == made[1:4]
        assert ledger.forecasts("larkspur", T0, T0 + DAY, limit=2) == made[:2]
        ledger.publish([made[2]])
        assert ledger.newest(["larkspur"]) == {"larkspur": made[4]}
        ledger.publish([])

    def test_checkpoints_are_replaced_and_kept_apart_by_kind(self, ledger: Ledger) -> None:
        first = Checkpoint("larkspur", "a.1", T0, b"\x00\xff")
        second = Checkpoint("larkspur", None, T0 + 1, b"")
        ledger.save_checkpoints("engine", [first, Checkpoint("b", "x", T0, b"b")])
        ledger.save_checkpoints("alarms", [second])
        assert ledger.checkpoint("engine", "larkspur") == first
        assert ledger.checkpoint("alarms", "larkspur") == second
        assert ledger.checkpoints("engine", ["larkspur", "nobody"]) == {"larkspur": first}
        assert ledger.checkpoints("engine", []) == {}
        ledger.save_checkpoints("engine", [second])
        assert ledger.checkpoint("engine", "larkspur") == second

    def test_a_checkpoint_moves_on_without_its_state(self, ledger: Ledger) -> None:
        ledger.save_checkpoints("engine", [Checkpoint(site, "a.1", T0, b"state") for site in ("larkspur", "b")])
        ledger.save_checkpoints("alarms", [Checkpoint("larkspur", "a.1", T0, b"manager")])
        ledger.advance_checkpoints("engine", ["larkspur", "never kept"], "a.2")
        ledger.advance_checkpoints("engine", [], "a.3")
        assert ledger.checkpoint("engine", "larkspur") == Checkpoint("larkspur", "a.2", T0, b"state")
        assert ledger.checkpoint("engine", "b") == Checkpoint("b", "a.1", T0, b"state")
        assert ledger.checkpoint("alarms", "larkspur") == Checkpoint("larkspur", "a.1", T0, b"manager")
        assert ledger.checkpoint("engine", "never kept") is None

    def test_sites_whose_supply_has_changed(self, ledger: Ledger) -> None:
        ledger.record([Transfer(site, T0 + n, Supply.PACK, False) for n, site in enumerate(["b", "a", "a", "c"])])
        ledger.record([Outage("d", T0 + 9, None, False)])
        assert ledger.transferred(["a", "b", "d", "nobody"], T0 + 1) == ["a"]
        assert ledger.transferred(["a", "b", "d"], T0) == ["a", "b"]
        assert ledger.transferred([], 0) == []

    # -- alarms and the outbox

    def test_a_transition_its_deliveries_and_its_checkpoint_are_one(self, ledger: Ledger) -> None:
        raised = transition(alarm())
        owed = [delivery("larkspur:mains-lost:1:0:owner"), delivery("larkspur:mains-lost:1:0:hub", channel="mqtt")]
        point = Checkpoint("larkspur", None, T0, b"manager")
        ledger.commit_transitions([raised], owed, [point])
        ledger.commit_transitions([raised], owed, [point])
        assert ledger.alarm(raised.alarm.id) == raised.alarm
        assert ledger.transitions("larkspur", T0, T0 + 1) == [raised]
        assert ledger.due("mail", T0) == [owed[0]]
        assert ledger.due("mqtt", T0) == [owed[1]]
        assert ledger.checkpoint("alarms", "larkspur") == point

    def test_what_cannot_be_kept_whole_is_not_kept_in_part(self, ledger: Ledger) -> None:
        bad = dataclasses.replace(delivery("k"), due_ms=2**70)
        with pytest.raises(StoreRefused):
            ledger.commit_transitions([transition(alarm())], [bad], [])
        assert ledger.alarms() == []
        assert ledger.transitions("larkspur", 0, T0 + DAY) == []

    def test_a_repeat_does_not_reopen_a_settled_delivery(self, ledger: Ledger) -> None:
        owed = delivery("k")
        ledger.commit_transitions([transition(alarm())], [owed], [])
        ledger.settle(dataclasses.replace(owed, done_ms=T0 + 5, attempts=1))
        ledger.commit_transitions([transition(alarm())], [owed], [])
        assert ledger.due("mail", T0 + DAY) == []

    def test_alarms_are_shown_in_their_newest_revision(self, ledger: Ledger) -> None:
        cleared = alarm(2, cleared_ms=T0 + 2000)
        other = alarm(0, T0 + 500)
        ledger.commit_transitions([transition(alarm()), transition(cleared, TransitionKind.CLEARED)], [], [])
        ledger.commit_transitions([transition(alarm(1), TransitionKind.UPDATED), transition(other)], [], [])
        assert ledger.alarms() == [cleared, other]
        assert ledger.alarms("larkspur", [AlarmState.UNACKNOWLEDGED]) == [other]
        assert ledger.alarms("nobody") == []
        assert ledger.alarms(limit=1) == [cleared]
        assert [x.alarm.revision for x in ledger.transitions("larkspur", T0, T0 + DAY)] == [2, 1, 0, 0]

    def test_alarms_of_some_sites_come_in_one_look(self, ledger: Ledger) -> None:
        there = [dataclasses.replace(alarm(episode=T0 + n), site=site) for n, site in enumerate(["a", "b", "a", "c"])]
        over = alarm(episode=T0 + 9, cleared_ms=T0)
        ledger.commit_transitions([transition(one) for one in [*there, over]], [], [])
        found = ledger.alarms_of(["a", "b", "larkspur", "nobody"], [AlarmState.UNACKNOWLEDGED])
        assert found == {"a": [there[2], there[0]], "b": [there[1]]}
        assert ledger.alarms_of([], [AlarmState.UNACKNOWLEDGED]) == {}

    def test_transitions_are_followed_in_the_order_of_their_commits(self, ledger: Ledger) -> None:
        """Whatever time they bear; a repeat is no news; one who has read all up to a number goes on from there."""
        assert (ledger.newest_change(), ledger.changes(0, 10)) == (0, [])
        late, early = transition(alarm(3)), transition(alarm(1), TransitionKind.UPDATED)
        other = transition(dataclasses.replace(alarm(episode=T0 - DAY), site="elsewhere"))
        ledger.commit_transitions([late], [], [])
        ledger.commit_transitions([late, early], [], [])
        ledger.commit_transitions([other], [], [])
        found = ledger.changes(0, 10)
        assert [change for _, change in found] == [late, early, other]
        numbers = [number for number, _ in found]
        assert numbers == sorted(set(numbers))
        assert ledger.newest_change() == numbers[-1]
        assert ledger.changes(numbers[0], 1) == found[1:2]
        assert ledger.changes(0, 10, "elsewhere") == found[2:]
        assert ledger.changes(numbers[-1], 10) == []

    def test_numbers_of_transitions_go_with_them_and_are_given_once(self, ledger: Ledger) -> None:
        ledger.commit_transitions([transition(alarm(cleared_ms=T0), TransitionKind.CLEARED)], [], [])
        given = ledger.newest_change()
        ledger.prune(T0 + DAY)
        assert ledger.changes(0, 10) == []
        ledger.commit_transitions([transition(alarm(episode=T0 + 1))], [], [])
        assert ledger.newest_change() > given

    def test_deliveries_come_due_oldest_first_and_leave_when_settled(self, ledger: Ledger) -> None:
        owed = [delivery(f"k{i}", i) for i in range(4)]
        ledger.commit_transitions([], list(reversed(owed)), [])
        assert ledger.due("mail", T0 + 2000) == owed[:3]
        assert ledger.due("mail", T0 + DAY, limit=2) == owed[:2]
        assert ledger.oldest_undelivered_ms() == T0
        assert ledger.health().pending == 4
        retried = dataclasses.replace(owed[0], attempts=2, due_ms=T0 + 9000, last_error="refused")
        ledger.settle(retried)
        assert ledger.due("mail", T0 + 5000) == owed[1:]
        assert retried in ledger.due("mail", T0 + 9000)
        ledger.settle(dataclasses.replace(retried, gave_up=True))
        ledger.settle(dataclasses.replace(owed[1], done_ms=T0 + 4000))
        assert ledger.due("mail", T0 + DAY) == owed[2:]
        assert ledger.oldest_undelivered_ms() == owed[2].created_ms

    def test_graver_messages_come_first_and_first_attempts_before_retries(self, ledger: Ledger) -> None:
        tried = dataclasses.replace(delivery("a tried one"), attempts=3, rank=2)
        later = dataclasses.replace(delivery("the first try of a later one", 5), rank=2)
        grave = dataclasses.replace(delivery("critical", 9), rank=3)
        ledger.commit_transitions([], [tried, later, grave], [])
        assert [item.key for item in ledger.due("mail", T0 + DAY)] == [grave.key, later.key, tried.key]

    def test_who_was_told_is_kept_and_the_address_is_not(self, ledger: Ledger) -> None:
        raised = transition(alarm())
        known = {"owner": 0.0, "neighbour": 60.0, "third": 90.0}
        owner, other, third = (
            dataclasses.replace(delivery(who, at_s), who=who, alarm_id=raised.alarm.id) for who, at_s in known.items()
        )
        hub = dataclasses.replace(delivery("hub", channel="mqtt"), alarm_id=raised.alarm.id)
        ledger.commit_transitions([raised], [owner, other, third, hub], [])
        waiting = Notice(raised.alarm.id, 0, "larkspur", "owner", "mail", T0, NoticeOutcome.WAITING)
        assert ledger.notices([raised.alarm.id])[0] == waiting
        ledger.settle(dataclasses.replace(owner, attempts=1, done_ms=T0 + 5))
        ledger.settle(dataclasses.replace(other, attempts=1, due_ms=T0 + 70_000, last_error="busy"))
        ledger.settle(dataclasses.replace(third, attempts=1, done_ms=T0 + 95_000, gave_up=True, last_error="gone"))
        told, failing, failed = ledger.notices([raised.alarm.id])
        assert (told.outcome, told.at_ms, told.reason) == (NoticeOutcome.TOLD, T0 + 5, None)
        assert (failing.outcome, failing.at_ms, failing.reason) == (NoticeOutcome.FAILING, T0 + 70_000, "busy")
        assert (failed.outcome, failed.at_ms, failed.reason) == (NoticeOutcome.FAILED, T0 + 95_000, "gone")
        assert [n.who for n in ledger.notices_between("larkspur", T0, T0 + DAY)] == ["third", "neighbour", "owner"]
        assert ledger.notices_between("larkspur", T0 + 61_000, T0 + DAY)[0].who == "third"
        assert ledger.notices(["another"]) == []

    def test_a_persons_untried_messages_are_brought_forward_and_no_others(self, ledger: Ledger) -> None:
        about = alarm().id
        late, tried, due, other = (
            dataclasses.replace(delivery(key, at_s), who=who, alarm_id=about)
            for key, at_s, who in (
                ("late", 900.0, "neighbour"),
                ("tried", 900.0, "neighbour"),
                ("due", 5.0, "neighbour"),
                ("other", 900.0, "cousin"),
            )
        )
        ledger.commit_transitions([], [late, tried, due, other], [])
        ledger.settle(dataclasses.replace(tried, attempts=1))
        assert ledger.bring_forward(about, "nobody", T0 + 10_000) == 0
        assert ledger.bring_forward(about, "neighbour", T0 + 10_000) == 1
        assert ledger.bring_forward(about, "neighbour", T0 + 10_000) == 0
        sooner = dataclasses.replace(late, due_ms=T0 + 10_000, created_ms=T0 + 10_000)
        assert ledger.due("mail", T0 + 10_000) == [due, sooner]
        ledger.settle(dataclasses.replace(sooner, attempts=1, done_ms=T0 + 11_000))
        assert ledger.bring_forward(about, "neighbour", T0 + 9_000) == 0

    def test_a_test_message_is_answered_once(self, ledger: Ledger) -> None:
        sent = dataclasses.replace(delivery("k"), who="owner", alarm_id="larkspur:test:1")
        ledger.commit_transitions([], [sent], [])
        ledger.settle(dataclasses.replace(sent, attempts=1, done_ms=T0 + 5))
        assert ledger.answer("larkspur:test:1", "owner", T0 + 60_000)
        assert ledger.answer("larkspur:test:1", "owner", T0 + 90_000)
        assert not ledger.answer("larkspur:test:1", "neighbour", T0 + 60_000)
        assert [n.answered_ms for n in ledger.notices(["larkspur:test:1"])] == [T0 + 60_000]

    def test_a_person_is_forgotten_and_what_happened_is_not(self, ledger: Ledger) -> None:
        who = 'the "owner" of 100 % é'
        seen = dataclasses.replace(alarm(1), acknowledged_by=who, acknowledged_ms=T0 + 9)
        kept = dataclasses.replace(alarm(episode=T0 + 1), acknowledged_by="neighbour")
        owed = dataclasses.replace(delivery("k"), who=who, alarm_id=seen.id)
        other = dataclasses.replace(delivery("k2"), who="neighbour", alarm_id=seen.id)
        changes = [transition(alarm()), transition(seen, TransitionKind.ACKNOWLEDGED), transition(kept)]
        ledger.commit_transitions(changes, [owed, other], [])
        ledger.request("acknowledge", seen.id, msgspec.json.encode({"by": who}).decode(), T0)
        test = DischargeTest("larkspur:test:1", "larkspur", T0, who)
        work = WorkDone("larkspur:work:1", "larkspur", T0, WorkKind.CLEANED, "the pit", who, T0)
        ledger.save_test(test)
        ledger.save_work(work)
        assert ledger.erase_person("elsewhere", who) == 0
        assert ledger.erase_person("larkspur", who) == 6
        assert ledger.tests("larkspur") == [dataclasses.replace(test, started_by="")]
        assert [one.by for one in ledger.work("larkspur")] == [""]
        assert ledger.alarm(seen.id) == dataclasses.replace(seen, acknowledged_by="")
        assert ledger.alarm(kept.id) == kept
        assert {x.alarm.acknowledged_by for x in ledger.transitions("larkspur", T0, T0 + DAY)} == {
            None,
            "",
            "neighbour",
        }
        assert ledger.requests(0)[0][3] == '{"by":""}'
        assert [n.who for n in ledger.notices([seen.id])] == ["neighbour"]
        assert ledger.due("mail", T0 + DAY) == [other]

    def test_changes_of_site_files_are_kept_newest_first(self, ledger: Ledger) -> None:
        first = SiteEdit("larkspur", T0, "Ann", "house", "a = 1\n", "a = 2\n")
        second = dataclasses.replace(first, at_ms=T0 + 1, part="undone", before="a = 2\n", after="", undoes=1)
        other = dataclasses.replace(first, site="elsewhere")
        numbers = [ledger.save_edit(edit) for edit in (first, second, other)]
        kept = [dataclasses.replace(edit, id=n) for edit, n in zip((first, second, other), numbers, strict=True)]
        assert sorted(numbers) == numbers
        assert ledger.edits("larkspur") == [kept[1], kept[0]]
        assert ledger.edits(limit=1) == [kept[2]]
        assert ledger.edit(numbers[1]) == kept[1]
        with pytest.raises(NotFound):
            ledger.edit(numbers[-1] + 1)
        assert ledger.forget_edit_texts(T0 + 1) == 2
        assert ledger.edit(numbers[0]) == dataclasses.replace(kept[0], before=None, after=None)
        assert ledger.edit(numbers[1]) == kept[1]
        assert ledger.erase_person("larkspur", "Ann") == 2
        assert [edit.who for edit in ledger.edits()] == ["Ann", "", ""]

    def test_subscriptions_end_with_their_token(self, ledger: Ledger) -> None:
        of_token = PushSubscription("a", "https://push.example/1", "p", "a", None, "phone", T0, "t1")
        of_nobody = dataclasses.replace(of_token, id="b", token_id=None)
        ledger.save_subscription(of_token)
        ledger.save_subscription(of_nobody)
        assert ledger.drop_subscriptions_of("t1") == 1
        assert ledger.subscriptions() == [of_nobody]

    def test_requests_queue_in_order(self, ledger: Ledger) -> None:
        first = ledger.request("acknowledge", "a", "{}", T0)
        second = ledger.request("shelve", "b", '{"h":1}', T0 + 1)
        assert second > first
        assert ledger.requests(0) == [(first, "acknowledge", "a", "{}", T0), (second, "shelve", "b", '{"h":1}', T0 + 1)]
        assert ledger.requests(first) == [(second, "shelve", "b", '{"h":1}', T0 + 1)]
        assert ledger.requests(0, limit=1)[0][0] == first
        ledger.prune(T0 + DAY)
        assert ledger.request("x", "y", "{}", T0 + DAY) > second

    # -- tests and people

    def test_discharge_tests_are_kept_whole(self, ledger: Ledger) -> None:
        running = DischargeTest("t1", "larkspur", T0, "owner", until_percent=30.0)
        three = (1.0, 2.0, 3.0)
        result = DischargeResult(
            60.0,
            9.5,
            three,
            three,
            180,
            19.0,
            10.2,
            0.4,
            None,
            three,
            0.97,
            None,
            three,
            12.5,
            True,
            None,
            False,
            "good",
        )
        done = dataclasses.replace(running, finished_ms=T0 + DAY, end=EndReason.CHARGE, result=result)
        later = DischargeTest("t2", "larkspur", T0 + DAY, "owner")
        ledger.save_test(running)
        ledger.save_test(later)
        assert ledger.tests("larkspur") == [later, running]
        assert ledger.open_tests() == [one for one in (later, running) if one.finished_ms is None]
        ledger.save_test(done)
        assert done not in ledger.open_tests()
        assert ledger.tests("larkspur") == [later, done]
        ledger.prune(T0 + 100 * DAY)
        assert ledger.tests("larkspur") == [later, done]

    def test_login_sessions_begin_and_end(self, ledger: Ledger) -> None:
        for n in range(4):
            ledger.open_session(LoginSession(f"s{n}", "t", T0 + n, T0 + 1000), 3)
        assert ledger.session("s0") is None
        assert ledger.session("s3") == LoginSession("s3", "t", T0 + 3, T0 + 1000)
        ledger.open_session(LoginSession("later", "other", T0 + 1000, T0 + 2000), 3)
        assert ledger.session("s3") is None
        ledger.close_session("later")
        ledger.close_session("later")
        assert ledger.session("later") is None
        ledger.open_session(LoginSession("again", "t", T0, T0 + 1000), 3)
        ledger.close_sessions_of("t")
        assert ledger.session("again") is None

    def test_tokens_and_subscriptions(self, ledger: Ledger) -> None:
        token = Token("t", "hub", "read", None, "$argon2id$x", T0)
        newer = Token("u", "phone", "operate", "larkspur", "$argon2id$y", T0 + 1, ends_ms=T0 + 7)
        ledger.save_token(token)
        ledger.save_token(newer)
        used = dataclasses.replace(token, last_used_ms=T0 + 5, revoked_ms=T0 + 6)
        ledger.save_token(used)
        assert ledger.tokens() == [newer, used]
        phone = PushSubscription("p", "https://push.example.org/x", "k", "a", None, "phone", T0)
        ledger.save_subscription(phone)
        ledger.save_subscription(dataclasses.replace(phone, label="new phone"))
        assert [s.label for s in ledger.subscriptions()] == ["new phone"]
        ledger.drop_subscription("p")
        ledger.drop_subscription("p")
        assert ledger.subscriptions() == []

    # -- quarantine, held messages, notes, upkeep

    def test_the_quarantine_is_newest_first_and_bounded(self, ledger: Ledger) -> None:
        ledger.quarantine([Refusal("larkspur", "t", bytes([0, 255, i % 256]), T0 + i, f"r{i}") for i in range(6000)])
        ledger.quarantine([Refusal(None, "t", b"", T0 + i, f"s{i}") for i in range(6000)])
        newest = ledger.refusals(limit=2)
        assert newest == [Refusal(None, "t", b"", T0 + 5999, "s5999"), Refusal(None, "t", b"", T0 + 5998, "s5998")]
        assert ledger.refusals("larkspur", limit=1)[0].payload == bytes([0, 255, 5999 % 256])
        assert len(ledger.refusals(limit=20_000)) == 10_000
        ledger.quarantine([])

    def test_held_messages_wait_in_order_until_released(self, ledger: Ledger) -> None:
        messages = [HeldMessage("boot-1", 12.25 + i, "cellar/plug", bytes([i, 0]), i == 1) for i in range(4)]
        ledger.hold(messages[:2])
        ledger.hold(messages[2:])
        ledger.hold([])
        held = ledger.held(10)
        assert [dataclasses.replace(m, id=0) for m in held] == messages
        assert ledger.held(1) == held[:1]
        ledger.release(held[1].id)
        assert ledger.held(10) == held[2:]

    def test_what_several_collectors_hold_is_kept_apart(self, ledger: Ledger) -> None:
        mine = HeldMessage("boot-1", 1.0, "cellar/a", b"1", False, owner="1-2")
        other = HeldMessage("boot-2", 2.0, "cellar/b", b"2", False, owner="2-2")
        ledger.hold([mine, other])
        assert ledger.held(10) == []
        (kept,) = ledger.held(10, "1-2")
        assert dataclasses.replace(kept, id=0) == mine
        ledger.release(10_000, "1-2")
        assert ledger.held(10, "1-2") == []
        assert [dataclasses.replace(m, id=0) for m in ledger.held(10, "2-2")] == [other]

    def test_notes(self, ledger: Ledger) -> None:
        ledger.note("clock", "suspect")
        ledger.note("clock", "")
        assert ledger.noted("clock") == ""
        assert ledger.note_once("client-id", "first") == "first"
        assert ledger.note_once("client-id", "second") == ledger.noted("client-id") == "first"
        ledger.note("clock:1-2", "behind")
        ledger.note("clocks", "another name")
        assert ledger.notes("clock") == {"clock": "", "clock:1-2": "behind"}
        ledger.note_all({"channels:a": "first", "channels:b": "other"})
        ledger.note_all({"channels:a": "then"})
        ledger.note_all({})
        asked = [f"channels:{name}" for name in ("a", "b", *range(1_000))]
        assert ledger.noted_of(asked) == {"channels:a": "then", "channels:b": "other"}
        ledger.forget_note("clock:1-2")
        ledger.forget_note("never noted")
        assert ledger.notes("clock") == {"clock": ""}

    def test_a_named_value_is_kept_only_after_the_one_that_was_read(self, ledger: Ledger) -> None:
        assert not ledger.note_after("mark", "never", "a")
        assert ledger.noted("mark") is None
        assert ledger.note_after("mark", None, "a")
        assert not ledger.note_after("mark", None, "b")
        assert not ledger.note_after("mark", "b", "c")
        assert ledger.note_after("mark", "a", "c")
        assert ledger.noted("mark") == "c"

    def test_of_many_new_named_values_those_that_stand_already_stay(self, ledger: Ledger) -> None:
        ledger.note_all({"file:a": "theirs", "file:b": "the same"})
        asked = {"file:a": "mine", "file:b": "the same", "file:c": "new"}
        ledger.note_new(asked, {"mark": "1"})
        assert ledger.notes("file") == {"file:a": "theirs", "file:b": "the same", "file:c": "new"}
        ledger.note_new({}, {"mark": "2"})
        assert ledger.noted("mark") == "2"

    def test_what_belongs_to_a_named_value_is_kept_with_it_or_not_at_all(self, ledger: Ledger) -> None:
        edit = SiteEdit("larkspur", T0, "ann", "by-hand", "one", "two")
        assert ledger.note_after("mark", None, "a", also={"newest": "1"}, edit=edit)
        assert not ledger.note_after("mark", None, "b", also={"newest": "2"}, edit=edit)
        assert ledger.noted("newest") == "1"
        assert [dataclasses.replace(one, id=0) for one in ledger.edits("larkspur")] == [edit]

    def test_pruning_drops_what_is_old_and_settled_only(self, ledger: Ledger) -> None:
        old, new = run(0), run(2 * DAY / 1000)
        outage = Outage("larkspur", T0, T0 + 1, False)
        ledger.record([old, new, outage, Gap("larkspur", Quantity.PUMP_POWER, T0, T0 + 1)])
        ledger.publish([StoredForecast("larkspur", T0, "{}"), StoredForecast("larkspur", T0 + 2 * DAY, "{}")])
        standing, gone = alarm(episode=T0), alarm(1, T0 + 1, cleared_ms=T0 + 5)
        settled, owed = delivery("done"), delivery("owed")
        ledger.commit_transitions([transition(standing), transition(gone)], [settled, owed], [])
        ledger.settle(dataclasses.replace(settled, done_ms=T0 + 1))
        assert ledger.prune(T0 + DAY) == 6
        assert ledger.runs("larkspur", 0, T0 + 9 * DAY, 10).runs == (new,)
        assert ledger.outages("larkspur") == [outage]
        assert [f.issued_ms for f in ledger.forecasts("larkspur", 0, T0 + 9 * DAY)] == [T0 + 2 * DAY]
        assert ledger.alarms() == [standing]
        assert ledger.due("mail", T0 + DAY) == [owed]

    def test_a_brief_forecast_lacks_the_long_lists_alone(self, ledger: Ledger) -> None:
        whole = '{"site":"larkspur","survival":[{"at":"…","probability":1.0}],"charge_percent":71.5,"drain_path":[1,2]}'
        ledger.publish([StoredForecast("larkspur", T0, whole), StoredForecast("b", T0, '{"survival":[]}')])
        found = {site: json.loads(f.document) for site, f in ledger.newest(brief=True).items()}
        assert found == {"larkspur": {**json.loads(whole), "survival": [], "drain_path": []}, "b": {"survival": []}}
        assert ledger.newest(["larkspur"], brief=True).keys() == {"larkspur"}
        assert ledger.newest()["larkspur"].document == whole

    def test_a_forecast_that_is_not_kept_as_past_is_the_newest_all_the_same(self, ledger: Ledger) -> None:
        kept = StoredForecast("larkspur", T0, '{"issued": "first"}')
        passing = StoredForecast("larkspur", T0 + 1000, '{"issued": "second"}', past=False)
        ledger.publish([kept, passing])
        assert ledger.newest()["larkspur"].document == passing.document
        assert ledger.forecasts("larkspur", 0, T0 + DAY) == [kept]

    def test_pruning_thins_again_what_has_aged_since(self, ledger: Ledger) -> None:
        minute = 60_000
        ledger.publish([StoredForecast("larkspur", T0 + i * minute, "{}") for i in range(120)])
        ledger.publish([StoredForecast("larkspur", T0 + DAY + 60 * minute, "{}")])
        ledger.prune(0)
        first = [f.issued_ms for f in ledger.forecasts("larkspur", 0, T0 + DAY)]
        assert len(first) == 7 + 60, "the older hour is thinned to ten minutes, the newer is not"
        ledger.publish([StoredForecast("larkspur", T0 + 31 * DAY, "{}")])
        ledger.prune(0)
        then = [f.issued_ms for f in ledger.forecasts("larkspur", 0, T0 + DAY)]
        assert then == sorted(
            {min(t for t in first if t // 3_600_000 == hour) for hour in {t // 3_600_000 for t in first}}
        )
        assert ledger.prune(0) == 0

    def test_pruning_thins_past_forecasts(self, ledger: Ledger) -> None:
        ledger.publish([StoredForecast("larkspur", T0 + i * 60_000, "{}") for i in range(60)])
        ledger.publish([StoredForecast("larkspur", T0 + 2 * DAY + i * 60_000, "{}") for i in range(60)])
        ledger.prune(T0 - DAY)
        kept = [f.issued_ms for f in ledger.forecasts("larkspur", 0, T0 + 9 * DAY)]
        assert kept[:-60] == [T0] + [T0 + (5 + 10 * i) * 60_000 for i in range(6)]
        assert len(kept[-60:]) == 60
        assert ledger.newest()["larkspur"].issued_ms == T0 + 2 * DAY + 59 * 60_000

    def test_alarms_are_paged_and_filtered(self, ledger: Ledger) -> None:
        told = [
            dataclasses.replace(alarm(episode=T0 + n), id=f"{site}:{kind}:{T0 + n}", site=site, kind=AlarmKind(kind),
                                priority=priority, changed_ms=T0 + n // 2)
            for n, (site, kind, priority) in enumerate(
                [("larkspur", "mains-lost", Priority.HIGH), ("larkspur", "low-reserve", Priority.HIGH),
                 ("elsewhere", "mains-lost", Priority.HIGH), ("larkspur", "pump-silent", Priority.CRITICAL),
                 ("elsewhere", "test-due", Priority.LOW)]
            )
        ]  # fmt: skip
        ledger.commit_transitions([transition(one) for one in told], [], [])
        newest_first = sorted(told, key=lambda one: (-one.changed_ms, one.id))
        found: list[Alarm] = []
        query = AlarmQuery(limit=2)
        while True:
            page = ledger.alarm_page(query)
            assert len(page.alarms) <= 2
            found += page.alarms
            if page.cursor is None:
                break
            query = dataclasses.replace(query, cursor=page.cursor)
        assert found == newest_first
        asked = [
            (AlarmQuery(site="elsewhere"), {told[2].id, told[4].id}),
            (AlarmQuery(kinds=(AlarmKind.MAINS_LOST, AlarmKind.TEST_DUE)), {told[0].id, told[2].id, told[4].id}),
            (AlarmQuery(priorities=(Priority.CRITICAL,)), {told[3].id}),
            (AlarmQuery(states=(AlarmState.NORMAL,)), set()),
            (AlarmQuery(start_ms=T0 + 1, end_ms=T0 + 2), {told[2].id, told[3].id}),
        ]
        for one, ids in asked:
            assert {item.id for item in ledger.alarm_page(one).alarms} == ids

    @pytest.mark.parametrize("cursor", ["bogus", "", ".", "12.", "x.y", "-5.a", "9" * 30 + ".a", "²5.a"])
    def test_a_cursor_of_no_page_is_refused(self, ledger: Ledger, cursor: str) -> None:
        with pytest.raises(StoreRefused, match="cursor"):
            ledger.alarm_page(AlarmQuery(cursor=cursor))

    def test_gaps_that_overlap_a_span_are_found(self, ledger: Ledger) -> None:
        before = Gap("larkspur", Quantity.PUMP_POWER, T0 - 9 * DAY, T0 + 5)
        within = Gap("larkspur", Quantity.PACK_CHARGE, T0 + 10, T0 + 20)
        ledger.record([within, before, Gap("larkspur", Quantity.PUMP_POWER, T0 - 99 * DAY, T0 - 98 * DAY)])
        assert ledger.gaps("larkspur", T0, T0 + DAY) == [before, within]
        assert ledger.gaps("larkspur", T0 + 20, T0 + DAY) == []

    # -- the long record
    def test_days_are_replaced_and_read_in_order(self, ledger: Ledger) -> None:
        ledger.save_days([day(1, runs=7), day(0), day(2)])
        ledger.save_days([day(1, runs=9)])
        assert [(d.day, d.runs) for d in ledger.days("larkspur", T0, T0 + 2 * DAY)] == [
            ("2026-03-01", 5),
            ("2026-03-02", 9),
        ]
        assert ledger.days("elsewhere", 0, T0 + 9 * DAY) == []
        assert ledger.newest_day("larkspur") == T0 + 2 * DAY
        assert ledger.newest_day("elsewhere") is None

    def test_a_day_that_holds_nan_is_refused(self, ledger: Ledger) -> None:
        with pytest.raises(StoreRefused):
            ledger.save_days([dataclasses.replace(day(0), power_w=math.nan)])
        assert ledger.days("larkspur", 0, T0 + DAY) == []

    def test_work_is_listed_newest_first_and_taken_back(self, ledger: Ledger) -> None:
        cleaned = WorkDone("larkspur:work:1", "larkspur", T0, WorkKind.CLEANED, "inlet cleaned", "owner", T0 + DAY)
        valve = WorkDone(
            "larkspur:work:2", "larkspur", T0 + DAY, WorkKind.OTHER, "valve refitted", "owner", T0 + DAY,
            HousePart.CHECK_VALVE,
        )  # fmt: skip
        ledger.save_work(cleaned)
        ledger.save_work(valve)
        assert ledger.work("larkspur") == [valve, cleaned]
        assert not ledger.drop_work("elsewhere", cleaned.id)
        assert ledger.drop_work("larkspur", cleaned.id)
        assert ledger.work("larkspur") == [valve]

    def test_a_failed_study_keeps_the_last_good_result(self, ledger: Ledger) -> None:
        assert ledger.study("larkspur", "health") is None
        good = StudyRecord("larkspur", "health", T0, T0 + 5, '{"parts":[]}')
        ledger.save_study(good)
        ledger.fail_study("larkspur", "health", "too few days")
        assert ledger.study("larkspur", "health") == dataclasses.replace(good, problem="too few days")
        ledger.save_study(dataclasses.replace(good, made_ms=T0 + DAY))
        assert ledger.study("larkspur", "health") == dataclasses.replace(good, made_ms=T0 + DAY)
        assert ledger.studied("health") == {"larkspur": T0 + DAY}

    def test_a_study_that_never_succeeded_says_why(self, ledger: Ledger) -> None:
        ledger.fail_study("larkspur", "health", "no day is on record")
        assert ledger.study("larkspur", "health") == StudyRecord(
            "larkspur", "health", 0, 0, "{}", "no day is on record"
        )

    def test_the_long_record_is_never_pruned(self, ledger: Ledger) -> None:
        ledger.save_days([day(0)])
        ledger.save_work(WorkDone("larkspur:work:1", "larkspur", T0, WorkKind.NEW_PUMP, "", "owner", T0))
        ledger.save_study(StudyRecord("larkspur", "health", T0, T0, "{}"))
        ledger.prune(T0 + 4000 * DAY)
        assert len(ledger.days("larkspur", 0, T0 + DAY)) == len(ledger.work("larkspur")) == 1
        assert ledger.study("larkspur", "health") is not None
