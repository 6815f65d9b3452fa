"""The sequencer passes every frame on once, in order, and tells what never came."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from detect.readings import MilkFlow
from ingest.decode import Frame, Stamp
from ingest.sequencer import DEFAULT_LIMITS, Astray, Dropped, Gap, Outcome, Sequencer, Surplus
from ingest.wire import Address, Message, StreamKind

S = 10**9
START_NS = 1_790_000_000 * S
EVERY_NS = S // 5
TOPIC = "milking/willowmere/stall/3/flow"
ADDRESS = Address(3, StreamKind.FLOW)


@dataclass(frozen=True)
class Clocked:
    """Frames of one topic, five a second of device time."""

    boot: str | None = None
    topic: str = TOPIC

    def frame(self, seq: int, *, t_s: float | None = None, recv_s: float | None = None) -> Frame:
        """Return frame ``seq``; its device time is its number unless told otherwise."""
        t_ns = START_NS + (seq * EVERY_NS if t_s is None else int(t_s * S))
        recv_ns = t_ns if recv_s is None else START_NS + int(recv_s * S)
        message = Message(recv_ns, self.topic, b"{}")
        return Frame(message, ADDRESS, Stamp(self.boot, seq, t_ns), MilkFlow(3, t_ns, 1.0), 0)


PLAIN = Clocked()


def fed(outcomes: list[Outcome]) -> list[tuple[str | None, int]]:
    """Return boot mark and number of the frames passed on."""
    return [(o.stamp.boot, o.stamp.seq) for o in outcomes if isinstance(o, Frame)]


def numbers(outcomes: list[Outcome]) -> list[int]:
    """Return the numbers of the frames passed on."""
    return [seq for _, seq in fed(outcomes)]


def gaps(outcomes: list[Outcome]) -> list[tuple[int, int]]:
    """Return first and last number of the gaps told."""
    return [(o.first_seq, o.last_seq) for o in outcomes if isinstance(o, Gap)]


def surplus(outcomes: list[Outcome]) -> list[tuple[int, Surplus]]:
    """Return number and reason of the frames dropped."""
    return [(o.frame.stamp.seq, o.why) for o in outcomes if isinstance(o, Dropped)]


def run(frames: list[Frame], sequencer: Sequencer | None = None) -> list[Outcome]:
    """Push all frames, then release what is held."""
    sequencer = sequencer or Sequencer({})
    outcomes = [outcome for frame in frames for outcome in sequencer.push(frame)]
    return outcomes + sequencer.release()


def at_zero() -> Sequencer:
    """Return a sequencer whose topic is about to send number 0."""
    return Sequencer({TOPIC: Stamp(None, -1, START_NS - S)})


def test_frames_in_order_pass_at_once() -> None:
    """Nothing is held while nothing is missing, wherever the numbers begin."""
    sequencer = Sequencer({})
    assert [numbers(sequencer.push(PLAIN.frame(seq))) for seq in (5, 6, 7)] == [[5], [6], [7]]
    assert sequencer.held() == []


@given(order=st.permutations(range(8)))
def test_any_order_within_the_hold_is_put_right(order: list[int]) -> None:
    """Frames that overtake each other within the wait come out in order, without a gap."""
    arrivals = [PLAIN.frame(seq, recv_s=20 + i * 0.2) for i, seq in enumerate(order)]
    outcomes = run(arrivals, at_zero())
    assert numbers(outcomes) == list(range(8))
    assert gaps(outcomes) == []


@given(data=st.data())
def test_duplicates_are_dropped_whenever_they_come(data: st.DataObject) -> None:
    """Any frame repeated at any later point changes nothing but the count of duplicates."""
    sent = list(range(10))
    for seq in data.draw(st.lists(st.integers(0, 9), max_size=10)):
        sent.insert(data.draw(st.integers(sent.index(seq) + 1, len(sent))), seq)
    outcomes = run([PLAIN.frame(seq, recv_s=20 + i * 0.1) for i, seq in enumerate(sent)])
    assert numbers(outcomes) == list(range(10))
    assert [why for _, why in surplus(outcomes)] == [Surplus.DUPLICATE] * (len(sent) - 10)


@given(lost=st.sets(st.integers(1, 28)))
def test_every_lost_frame_is_told_once(lost: set[int]) -> None:
    """Frames that never come are exactly the numbers of the gaps; the others pass in order."""
    outcomes = run([PLAIN.frame(seq) for seq in range(30) if seq not in lost])
    told = [seq for first, last in gaps(outcomes) for seq in range(first, last + 1)]
    assert told == sorted(lost)
    assert numbers(outcomes) == [seq for seq in range(30) if seq not in lost]


def test_a_gap_is_given_up_after_three_seconds_of_receive_time() -> None:
    """At three seconds the frame is still waited for, a moment later no more."""
    sequencer = at_zero()
    assert sequencer.push(PLAIN.frame(1, recv_s=10.0)) == []
    other = Clocked(topic="milking/willowmere/stall/4/flow")
    assert [numbers(sequencer.push(other.frame(seq, recv_s=11.0 + seq))) for seq in range(3)] == [
        [0],
        [1],
        [2],
    ]
    outcomes = sequencer.push(other.frame(3, recv_s=13.001))
    assert gaps(outcomes) == [(0, 0)]
    assert numbers(outcomes) == [1, 3]


def test_a_pause_of_the_whole_record_counts_as_a_second() -> None:
    """While the service was down nothing could come: the missing frame may be the next one."""
    sequencer = at_zero()
    sequencer.push(PLAIN.frame(1, recv_s=10.0))
    assert numbers(sequencer.push(PLAIN.frame(2, recv_s=3600.0))) == []
    assert numbers(sequencer.push(PLAIN.frame(0, recv_s=7200.0))) == [0, 1, 2]


def test_a_second_gap_gets_its_own_wait() -> None:
    """Giving up on one gap does not give up on a younger one behind it."""
    sequencer = at_zero()
    sequencer.push(PLAIN.frame(1, recv_s=10.0))
    sequencer.tick(START_NS + 11 * S)
    sequencer.push(PLAIN.frame(3, recv_s=12.0))
    sequencer.tick(START_NS + 13 * S)
    outcomes = sequencer.push(PLAIN.frame(4, recv_s=13.5))
    assert (gaps(outcomes), numbers(outcomes)) == ([(0, 0)], [1])
    outcomes = sequencer.push(PLAIN.frame(2, recv_s=14.0))
    assert (gaps(outcomes), numbers(outcomes)) == ([], [2, 3, 4])


def test_a_gap_is_given_up_after_two_and_a_half_seconds_of_newer_data() -> None:
    """The device's own clock ends the wait, however fast the record is read."""
    sequencer = Sequencer({TOPIC: Stamp(None, -1, START_NS)})
    assert sequencer.push(PLAIN.frame(1, t_s=2.5, recv_s=0.0)) == []
    outcomes = sequencer.push(PLAIN.frame(2, t_s=2.6, recv_s=0.0))
    assert (gaps(outcomes), numbers(outcomes)) == ([(0, 0)], [1, 2])


def test_after_a_clock_was_set_back_newer_data_still_end_the_wait() -> None:
    """The wait is measured among the frames that wait when the last place lies in their future."""
    sequencer = Sequencer({TOPIC: Stamp("a", 0, START_NS + 3600 * S)})
    device = Clocked("a")
    assert sequencer.push(device.frame(2, t_s=1.0, recv_s=0.0)) == []
    assert sequencer.push(device.frame(3, t_s=3.5, recv_s=0.0)) == []
    outcomes = sequencer.push(device.frame(4, t_s=3.6, recv_s=0.0))
    assert (gaps(outcomes), numbers(outcomes)) == ([(1, 1)], [2, 3, 4])


def test_a_gap_is_given_up_behind_too_many_frames() -> None:
    """The number of frames held for one topic is bounded."""
    sequencer = at_zero()
    behind = DEFAULT_LIMITS.frames + 1
    frames = [PLAIN.frame(seq, t_s=1.0, recv_s=10.0) for seq in range(1, behind + 1)]
    outcomes = [o for frame in frames for o in sequencer.push(frame)]
    assert gaps(outcomes) == [(0, 0)]
    assert numbers(outcomes) == list(range(1, behind + 1))


def test_a_gap_knows_the_time_before_and_after_it() -> None:
    """The device times around a gap are those of its neighbours."""
    outcomes = run([PLAIN.frame(5), PLAIN.frame(9)])
    gap = next(o for o in outcomes if isinstance(o, Gap))
    assert (gap.topic, gap.address, gap.frames) == (TOPIC, ADDRESS, 3)
    assert (gap.after_ns, gap.before_ns) == (START_NS + 5 * EVERY_NS, START_NS + 9 * EVERY_NS)


def test_a_restart_with_a_boot_mark_counts_from_zero() -> None:
    """Another boot mark at a later time opens a new count; the old copies are stale."""
    first, second = Clocked("a"), Clocked("b")
    outcomes = run(
        [first.frame(7), first.frame(8), second.frame(0, t_s=20), first.frame(8), second.frame(1, t_s=21)]
    )
    assert fed(outcomes) == [("a", 7), ("a", 8), ("b", 0), ("b", 1)]
    assert surplus(outcomes) == [(8, Surplus.STALE)]


def test_a_restart_without_a_boot_mark_is_inferred() -> None:
    """The number falls back while the time moves on: a restart; the same time: a duplicate."""
    outcomes = run(
        [
            PLAIN.frame(7),
            PLAIN.frame(8),
            PLAIN.frame(0, t_s=20),
            PLAIN.frame(8),
            PLAIN.frame(0, t_s=20),
            PLAIN.frame(1, t_s=21),
        ]
    )
    assert numbers(outcomes) == [7, 8, 0, 1]
    assert surplus(outcomes) == [(8, Surplus.STALE), (0, Surplus.DUPLICATE)]


@given(hours=st.lists(st.integers(-30, 30), min_size=4, max_size=4), boot=st.sampled_from([None, "a"]))
def test_a_clock_that_jumps_loses_nothing(hours: list[int], boot: str | None) -> None:
    """While the numbers go on, the device's clock may jump back and forward by hours."""
    device = Clocked(boot)
    frames = [
        device.frame(seq, t_s=seq * 0.2 + 3600 * hours[seq // 5], recv_s=seq * 0.2) for seq in range(20)
    ]
    outcomes = run(frames)
    assert numbers(outcomes) == list(range(20))
    assert (gaps(outcomes), surplus(outcomes)) == ([], [])


def test_a_restart_into_the_past_loses_nothing_with_a_boot_mark() -> None:
    """A device whose clock is lost at each restart is still followed; old copies stay stale."""
    first, second = Clocked("a"), Clocked("b")
    outcomes = run(
        [
            first.frame(7),
            second.frame(0, t_s=-90_000, recv_s=3),
            first.frame(8, recv_s=3.1),
            second.frame(1, t_s=-89_999, recv_s=4),
        ]
    )
    assert fed(outcomes) == [("a", 7), ("b", 0), ("b", 1)]
    assert surplus(outcomes) == [(8, Surplus.STALE)]


def test_a_number_far_from_all_others_does_not_blind_the_topic() -> None:
    """One broken number is set aside; one at the very beginning is corrected by the next frame."""
    device = Clocked("a")
    outcomes = run([device.frame(5), device.frame(2**40, t_s=1.1), device.frame(6)])
    assert numbers(outcomes) == [5, 6]
    assert [o.frame.stamp.seq for o in outcomes if isinstance(o, Astray)] == [2**40]
    outcomes = run([device.frame(2**40, t_s=0.1), device.frame(0, t_s=0.2), device.frame(1, t_s=0.4)])
    assert numbers(outcomes) == [2**40, 0, 1]


def test_frames_lost_at_a_restart_are_a_gap() -> None:
    """A restarted device counts from 0, so a first number of 2 means two frames are missing."""
    outcomes = run([PLAIN.frame(100), PLAIN.frame(2, t_s=200)])
    assert gaps(outcomes) == [(0, 1)]
    assert numbers(outcomes) == [100, 2]


def test_a_restart_sets_free_what_was_held_before_it() -> None:
    """Frames held from before the restart are passed on first, their gap told."""
    first, second = Clocked("a"), Clocked("b")
    outcomes = run([first.frame(1), first.frame(3, recv_s=3), second.frame(0, t_s=9, recv_s=4)])
    assert fed(outcomes) == [("a", 1), ("a", 3), ("b", 0)]
    assert gaps(outcomes) == [(2, 2)]


def test_quarters_may_share_a_time() -> None:
    """Four quarter frames of one instant are four frames, not copies."""
    assert numbers(run([PLAIN.frame(seq, t_s=5) for seq in range(4)])) == [0, 1, 2, 3]


def test_a_receiver_clock_set_back_gives_up_nothing() -> None:
    """The wait is measured on a receive time that never falls."""
    sequencer = at_zero()
    sequencer.push(PLAIN.frame(1, recv_s=10.0))
    assert sequencer.push(PLAIN.frame(2, recv_s=-500.0)) == []
    assert numbers(sequencer.push(PLAIN.frame(0, recv_s=-499.0))) == [0, 1, 2]


def sent_twice() -> list[Frame]:
    """Return a record with loss, disorder, copies and restarts of both kinds."""
    marked = Clocked("a", "milking/willowmere/stall/4/flow")
    again = Clocked("b", marked.topic)
    order = (0, 1, 3, 2, 2, 5, 6, 9, 8)
    plain = [PLAIN.frame(seq, recv_s=i) for i, seq in enumerate(order)]
    plain += [PLAIN.frame(seq, t_s=20 + seq, recv_s=20 + seq) for seq in (1, 0, 2, 4)]
    booted = [marked.frame(seq, recv_s=i + 0.5) for i, seq in enumerate(order)]
    booted += [again.frame(seq, t_s=20 + seq, recv_s=20.5 + seq) for seq in (0, 1, 4, 3)]
    return sorted(plain + booted, key=lambda frame: frame.message.recv_ns)


def test_a_record_sent_again_passes_nothing_on() -> None:
    """A second reading of the same record, restarts and all, is surplus from first to last."""
    sequencer = Sequencer({})
    first = run(sent_twice(), sequencer)
    second = run(sent_twice(), sequencer)
    assert len(numbers(first)) > 20
    assert (numbers(second), gaps(second)) == ([], [])
    assert len(surplus(second)) == len(sent_twice())


@given(cut=st.integers(0, 26))
def test_a_cut_changes_nothing(cut: int) -> None:
    """Places and held frames taken up by a new sequencer go on as the old one would have."""
    record = sent_twice()
    before = Sequencer({})
    outcomes = [o for frame in record[:cut] for o in before.push(frame)]
    topics = {frame.message.topic for frame in record[:cut]}
    after = Sequencer({topic: before.place(topic) for topic in topics})
    after.restore(before.held(), clock=before.clock, pasts=before.pasts())
    outcomes += run(record[cut:], after)
    assert outcomes == run(record)
