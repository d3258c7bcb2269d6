"""When a file is handed over, look by look, with stated times."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.sources.folder.content import Mark
from ingestd.sources.folder.readiness import Answer, Track

SETTLE = 2.0
EMPTY: Mark = (0, b"")


def judge(track: Track, content: bytes, now: float) -> Answer:
    """Judge a content; contents stand for their own digests."""
    earlier = [one for one in (track.seen, track.delivered) if one is not None]
    prefixes = frozenset(one for one in earlier if content.startswith(one[1]))
    return track.judge((len(content), content), prefixes, now=now, settle_s=SETTLE)


def test_closed_file_is_delivered_at_once() -> None:
    track = Track(closed=True)
    assert judge(track, b"row\n", 0.0) is Answer.DELIVER


def test_first_sighting_without_a_close_waits_for_a_second_equal_look() -> None:
    track = Track()
    answers = [judge(track, b"row\n", now) for now in (0.0, 1.9, 2.0)]
    assert answers == [Answer.WAIT, Answer.WAIT, Answer.DELIVER_FINAL]


def test_change_between_two_looks_starts_the_wait_anew() -> None:
    track = Track()
    contents = [(b"half", 0.0), (b"other", 1.5), (b"other", 3.0), (b"other", 3.5)]
    answers = [judge(track, content, now) for content, now in contents]
    assert answers == [Answer.WAIT, Answer.WAIT, Answer.WAIT, Answer.DELIVER_FINAL]


def test_growth_seen_while_the_writer_is_open_is_delivered_at_once() -> None:
    track = Track()
    judge(track, b"row 1\n", 0.0)
    assert judge(track, b"row 1\nrow 2\n", 0.5) is Answer.DELIVER


def test_rewritten_file_with_an_open_writer_waits() -> None:
    track = Track(closed=True)
    judge(track, b"row 1\n", 0.0)
    track.was_delivered(done=True)
    assert judge(track, b"other\n", 5.0) is Answer.WAIT


def test_unfinished_tail_is_delivered_as_final_after_the_wait() -> None:
    track = Track(closed=True)
    judge(track, b"row 1\nro", 0.0)
    track.was_delivered(done=False)
    assert [judge(track, b"row 1\nro", now) for now in (1.0, 2.0)] == [
        Answer.WAIT,
        Answer.DELIVER_FINAL,
    ]


def test_finished_content_seen_again_is_nothing_even_when_closed_again() -> None:
    track = Track(closed=True)
    judge(track, b"row\n", 0.0)
    track.was_delivered(done=True)
    track.closed = True
    assert judge(track, b"row\n", 9.0) is Answer.NOTHING


def test_back_to_the_content_delivered_last_is_nothing() -> None:
    track = Track(closed=True)
    judge(track, b"row\n", 0.0)
    track.was_delivered(done=True)
    judge(track, b"half of another", 5.0)
    assert judge(track, b"row\n", 6.0) is Answer.NOTHING


def test_empty_file_waits_even_when_closed() -> None:
    track = Track(closed=True)
    assert [judge(track, b"", now) for now in (0.0, 2.0)] == [
        Answer.WAIT,
        Answer.DELIVER_FINAL,
    ]


def test_first_bytes_after_emptiness_are_no_growth() -> None:
    track = Track()
    judge(track, b"", 0.0)
    assert judge(track, b"ro", 0.5) is Answer.WAIT


def test_refused_delivery_of_a_closed_file_is_offered_again() -> None:
    track = Track(closed=True)
    assert judge(track, b"row\n", 0.0) is Answer.DELIVER
    assert judge(track, b"row\n", 0.5) is Answer.DELIVER


@given(
    st.lists(
        st.tuples(
            st.sampled_from([b"", b"a", b"ab", b"abc", b"x", b"xy"]),
            st.sampled_from([0.1, 1.0, 2.5]),
            st.booleans(),
            st.sampled_from(["done", "unfinished", "refused"]),
        ),
        max_size=20,
    )
)
def test_whatever_happened_a_file_left_alone_is_delivered_and_then_left_alone(
    history: list[tuple[bytes, float, bool, str]],
) -> None:
    track = Track()
    now = 0.0
    taken: list[bytes] = []
    content = b"abc"
    for content, step, closed, outcome in history:
        now += step
        track.closed |= closed
        answer = judge(track, content, now)
        if answer in (Answer.DELIVER, Answer.DELIVER_FINAL) and outcome != "refused":
            if answer is Answer.DELIVER:
                assert not taken or taken[-1] != content, "the same bytes twice, not as final"
                assert content, "nothing at all called ready at once"
            taken.append(content)
            track.was_delivered(done=outcome == "done" or answer is Answer.DELIVER_FINAL)
    for _ in range(3):
        now += SETTLE
        if judge(track, content, now) in (Answer.DELIVER, Answer.DELIVER_FINAL):
            taken.append(content)
            track.was_delivered(done=True)
    assert taken[-1] == content
    assert judge(track, content, now + 1) is Answer.NOTHING


@pytest.mark.parametrize("content", [b"row\n", b""])
def test_no_settling_time_means_the_first_look_is_final(content: bytes) -> None:
    answer = Track().judge((len(content), content), frozenset(), now=5.0, settle_s=0.0)
    assert answer is Answer.DELIVER_FINAL


# --- stamps: when an unchanged one is trusted ----------------------------------------------------

STAMP = (6, 1, 1, 1)


def looked(track: Track, at: float, *, same: bool) -> None:
    track.looked_at = at
    track.note_stamp(STAMP, same=same, ripe_s=SETTLE)


def worth(track: Track, now: float) -> bool:
    return track.is_worth_a_look(STAMP, now=now, ripe_s=SETTLE)


def test_equal_stamp_is_trusted_after_one_more_look_that_came_late_enough() -> None:
    track = Track()
    looked(track, 10.0, same=False)
    assert [worth(track, now) for now in (11.0, 12.0)] == [False, True]
    looked(track, 12.0, same=True)
    assert not worth(track, 99.0)


def test_look_that_came_too_early_confirms_nothing() -> None:
    track = Track()
    looked(track, 10.0, same=False)
    looked(track, 11.0, same=True)
    assert worth(track, 12.0)


def test_other_content_under_an_equal_stamp_begins_the_wait_anew() -> None:
    track = Track()
    looked(track, 10.0, same=False)
    looked(track, 12.0, same=False)
    assert [worth(track, now) for now in (13.0, 14.0)] == [False, True]


def test_other_stamp_is_always_worth_a_look() -> None:
    track = Track()
    looked(track, 10.0, same=False)
    looked(track, 12.0, same=True)
    assert track.is_worth_a_look((6, 1, 2, 1), now=12.0, ripe_s=SETTLE)
