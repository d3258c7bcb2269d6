import re
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.observed import BenchNotes
from ingestd.model import Observation, ObservationKey, Role, Run, SitePolicy, Tube
from ingestd.plan.faults import PlanError
from ingestd.plan.observations import KEYS, parse_observations
from tests.ingestd.plan.laboratory import BOOK, DATA, POLICY

CASES: list[dict[str, Any]] = tomllib.loads(
    (DATA / "observation_faults.toml").read_text(encoding="utf-8")
)["case"]

RUN = Run(
    name="A",
    method="COD-HR",
    started_at=datetime(2026, 3, 2, 7, 15, tzinfo=UTC),
    tubes=tuple(
        Tube(position=n, role=Role.SAMPLE, sample=f"W-{n}", label=f"W-{n}") for n in (1, 2, 3)
    ),
)


def note(*pairs: str, position: int | None = 2, policy: SitePolicy = POLICY) -> dict[str, str]:
    return dict(parse_observations(pairs, RUN, position, policy, lots=BOOK.lots))


def faults_of(*pairs: str, position: int | None = 2, run: Run = RUN) -> list[str]:
    with pytest.raises(PlanError) as refused:
        parse_observations(pairs, run, position, POLICY, lots=BOOK.lots)
    return [str(fault) for fault in refused.value.faults]


@pytest.mark.parametrize(
    ("pair", "position", "kept"),
    [
        ("turbidity=clear", 2, "clear"),
        ("turbidity = turbid", None, "turbid"),
        ("turbidity=3.50", 2, "3.50"),
        ("chloride=350", 2, "350"),
        ("digestion_start=2026-03-02 08:25", None, "2026-03-02T07:25:00Z"),
        ("digestion_end=2026-03-02T10:25:30+01:00", 2, "2026-03-02T09:25:30Z"),
        ("reagent_added=2026-07-02 08:25", None, "2026-07-02T06:25:00Z"),
        ("block=block 2", None, "block 2"),
        ("block_temperature=148.5", None, "148.5"),
        ("zeroing=mara on reagent blank", None, "mara on reagent blank"),
        ("homogenised=no", 2, "no"),
        ("void=dropped, a = sign in the reason", 2, "dropped, a = sign in the reason"),
        ("void=block failed", None, "block failed"),
        ("use_reading=0017", 2, "17"),
        ("dilution=1+9 then 1+4", 2, "10 then 5"),
        ("dilution=1+9", 2, "10"),
        ("dilution=1", 2, "1"),
        ("lot=K2601", 2, "K2601"),
        ("lot=K9999", None, "K9999"),
        ("closed=no more tubes", None, "no more tubes"),
    ],
)
def test_observation_is_kept_in_one_notation(pair: str, position: int | None, kept: str) -> None:
    assert list(note(pair, position=position).values()) == [kept]


def test_every_key_of_the_model_can_be_noted() -> None:
    assert set(KEYS) == set(get_args(ObservationKey))


def test_pairs_are_kept_in_the_order_given() -> None:
    assert list(note("turbidity=clear", "chloride=1", "homogenised=yes")) == [
        "turbidity",
        "chloride",
        "homogenised",
    ]


@pytest.mark.parametrize(("one_to_n", "kept"), [("total", "10"), ("parts", "11")])
def test_one_to_ten_is_settled_when_it_is_noted(one_to_n: Any, kept: str) -> None:
    policy = replace(POLICY, one_to_n=one_to_n)
    assert note("dilution=1:10", policy=policy) == {"dilution": kept}


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case["pair"])[:30])
def test_wrong_observation_is_refused_with_key_value_and_remedy(case: dict[str, Any]) -> None:
    pair = case["pair"].replace("EIGHTY_ONE", "x" * 81)
    assert faults_of(pair, position=case.get("position")) == [case["fault"]]


def test_all_that_is_wrong_is_said_at_once_and_nothing_noted() -> None:
    assert faults_of("turbidity=murky", "chloride=350", "void=", "chloride=351", position=9) == [
        "tube: run A has no such tube (found '9'); name one of 1 to 3",
        (
            "turbidity: this is neither clear, turbid nor a number (found 'murky'); "
            "write clear, turbid or the turbidity in NTU"
        ),
        "void: nothing stands behind the key; write the reason",
        "chloride: the key is given twice (found '351'); note it once",
    ]


def test_tubes_are_named_one_by_one_where_there_are_gaps() -> None:
    run = replace(RUN, tubes=(RUN.tubes[2], RUN.tubes[0]))
    assert faults_of("turbidity=clear", position=2, run=run) == [
        "tube: run A has no such tube (found '2'); name one of 1, 3"
    ]


def test_nothing_to_note_is_refused() -> None:
    assert faults_of() == [
        "observation: nothing was noted; write KEY=VALUE, such as turbidity=clear"
    ]


def test_digestion_that_ends_before_it_starts_is_refused() -> None:
    assert faults_of(
        "digestion_start=2026-03-02 10:25", "digestion_end=2026-03-02 10:25", position=None
    ) == [
        (
            "digestion_end: the digestion ends at or before its start (found "
            "'2026-03-02T09:25:00Z'); correct digestion_start or digestion_end"
        )
    ]


@given(
    st.datetimes(
        min_value=datetime.fromisoformat("1990-01-01"),
        max_value=datetime.fromisoformat("2037-12-31"),
        timezones=st.just(UTC),
    ),
    st.decimals(min_value=0, max_value=10**6, places=3),
)
def test_evaluation_reads_back_what_is_kept(instant: datetime, chloride: Decimal) -> None:
    kept = note(f"digestion_end={instant.isoformat()}", f"chloride={chloride:f}")
    bench = BenchNotes(
        Observation(id=n, run="A", position=2, key=key, value=value, at=instant, by="mara")
        for n, (key, value) in enumerate(
            parse_observations([f"{k}={v}" for k, v in kept.items()], RUN, 2, POLICY)
        )
    )
    assert bench.instant(2, "digestion_end") == instant
    assert bench.number(2, "chloride") == chloride


@given(st.sampled_from(KEYS), st.text(max_size=30), st.sampled_from([None, 1]))
def test_any_value_is_kept_visible_or_refused(
    key: ObservationKey, value: str, position: int | None
) -> None:
    try:
        kept = note(f"{key}={value}", position=position)
    except PlanError as refused:
        assert all(fault.remedy for fault in refused.faults)
    else:
        assert kept[key].isprintable()
        assert not re.fullmatch(r"\s*", kept[key])
