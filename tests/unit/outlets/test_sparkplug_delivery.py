"""What of the results is known to have arrived. The rule is ours: see sparkplug_delivery."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.sparkplug_delivery import MARK_S, MOST_MARKS, Delivery


def test_nothing_is_proven_by_being_sent() -> None:
    """QoS 0: after a break all of it goes out again."""
    delivery = Delivery(100, overlap_s=90.0)
    delivery.begin(120)
    for seq in range(101, 121):
        delivery.hand_over(seq, 10.0)
    assert (delivery.sent, delivery.proven) == (120, 100)
    delivery.begin(130)
    assert delivery.sent == 100


def test_only_what_was_sent_well_before_the_evidence_is_proven() -> None:
    """The host answered 1 s after the second result: it may have been dead already."""
    delivery = Delivery(0, overlap_s=90.0)
    delivery.begin(0)
    delivery.hand_over(1, 0.0)
    delivery.hand_over(2, 100.0)
    assert not delivery.wants_proof(89.9)
    assert not delivery.prove(89.9)
    assert delivery.wants_proof(101.0)
    assert delivery.prove(101.0)
    assert delivery.proven == 1
    assert not delivery.prove(101.0)
    assert delivery.prove(190.0)
    assert delivery.proven == 2
    assert not delivery.wants_proof(1000.0)


def test_a_mark_is_as_late_as_its_last_result() -> None:
    """Results that share a mark are proven together, when the last of them is."""
    delivery = Delivery(0, overlap_s=0.0)
    delivery.begin(0)
    delivery.hand_over(1, 0.0)
    delivery.hand_over(2, MARK_S * 0.9)
    assert not delivery.prove(MARK_S * 0.5)
    assert delivery.prove(MARK_S * 0.9)
    assert delivery.proven == 2


def test_evidence_from_before_a_break_proves_nothing_after_it() -> None:
    """Marks of a session end with it."""
    delivery = Delivery(0, overlap_s=0.0)
    delivery.begin(5)
    delivery.hand_over(5, 1.0)
    delivery.begin(5)
    assert not delivery.prove(1000.0)
    assert delivery.proven == 0


def test_rebirths_do_not_begin_anew_what_still_waits() -> None:
    """It goes on to its end, then once more from what is proven; only that pass can prove."""
    delivery = Delivery(0, overlap_s=10.0)
    delivery.begin(5)
    delivery.hand_over(1, 0.0)
    delivery.reborn(6)
    assert delivery.sent == 1, "not from the beginning"
    for seq in range(2, 7):
        delivery.hand_over(seq, 1.0)
        delivery.reborn(6)
        assert delivery.sent == seq
    assert not delivery.prove(1000.0)
    assert delivery.again(6)
    assert (delivery.sent, delivery.proven) == (0, 0)
    assert not delivery.again(6), "once"
    for seq in range(1, 7):
        delivery.hand_over(seq, 2.0)
    assert delivery.prove(1000.0)
    assert delivery.proven == 6


def test_a_rebirth_with_nothing_waiting_sends_again_at_once() -> None:
    """What was sent since the evidence may be what the host misses."""
    delivery = Delivery(0, overlap_s=10.0)
    delivery.begin(2)
    delivery.hand_over(2, 0.0)
    delivery.reborn(2)
    assert delivery.sent == 0
    assert not delivery.again(2)


def test_history_is_what_was_there_before_the_births() -> None:
    """Also a result that was sent in the session before."""
    delivery = Delivery(3, overlap_s=0.0)
    delivery.begin(7)
    assert delivery.is_historical(4)
    assert delivery.is_historical(7)
    assert not delivery.is_historical(8)


@given(
    st.floats(0, 200),
    st.lists(st.tuples(st.sampled_from("spbra"), st.floats(0, 30)), max_size=300),
)
def test_the_position_never_passes_what_was_sent_before_the_evidence(
    overlap_s: float, steps: list[tuple[str, float]]
) -> None:
    """Whatever happens: each proven result was sent at least the overlap before an answer that
    came in the same session and after its last rebirth, and proven never falls."""
    delivery = Delivery(0, overlap_s)
    delivery.begin(0)
    now_s, sent_at, proven = 0.0, dict[int, float](), 0
    for what, passed_s in steps:
        now_s += passed_s
        if what == "s":
            seq = delivery.sent + 1
            sent_at[seq] = now_s
            delivery.hand_over(seq, now_s)
        elif what in "bra":
            if what == "b":
                delivery.begin(delivery.sent)
            elif what == "r":
                delivery.reborn(delivery.sent + int(passed_s))
            elif not delivery.again(delivery.sent):
                continue
            for seq in list(sent_at):
                if seq > delivery.proven:
                    del sent_at[seq]
        else:
            delivery.prove(now_s)
            for seq in range(proven + 1, delivery.proven + 1):
                assert sent_at[seq] <= now_s - overlap_s
            assert delivery.proven >= proven
            proven = delivery.proven
        assert delivery.proven <= max(delivery.sent, proven)


def test_memory_is_bounded_without_any_evidence() -> None:
    """A result a minute and never an answer: as many marks as allowed, none too early."""
    delivery = Delivery(0, overlap_s=60.0)
    delivery.begin(0)
    for minute in range(MOST_MARKS * 3):
        delivery.hand_over(minute + 1, 60.0 * minute)
    assert len(delivery._marks) == MOST_MARKS
    last_s = 60.0 * (MOST_MARKS * 3 - 1)
    delivery.prove(last_s)
    assert delivery.proven == MOST_MARKS - 1
    delivery.prove(last_s + 60.0)
    assert delivery.proven == MOST_MARKS * 3
