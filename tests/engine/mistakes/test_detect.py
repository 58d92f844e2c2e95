"""Lines walked otherwise than recorded, found by the readings alone, and what is proposed for them."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import Cancelled
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.processing_provider.engine.core.readings import flag_bit
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.mistakes import detect
from turnrow.processing_provider.engine.mistakes.messages import series, with_those_before

SITES = range(300, 310)


def scheme_of(readings):
    """The scheme of a simulated grid."""
    size = readings.line.max() / 2
    return Scheme(grid="A", length_m=size, width_m=size, spacing_m=0.5, readings_per_m=8)


def proposed(readings, notes=()):
    return detect.possible_mistakes(readings, scheme_of(readings), notes)


def possible_mistakes(readings):
    return [d.finding for d in proposed(readings)]


def walked(walk, seed):
    """An ordinary walk over a random site, and a random line inside it."""
    rng = np.random.default_rng(seed)
    size, lag = rng.choice([20.0, 30.0]), rng.uniform(0.15, 0.6)
    readings = walk.walk(walk.site(size, rng), rng, walk.usual(lag)).readings
    return readings, int(rng.integers(2, readings.line.max()))


def turned_round(readings, line):
    """The readings of a line in the opposite order, as when the direction was not set."""
    rows = np.flatnonzero(readings.line == line)
    values, flag = readings.channels["eca"].copy(), readings.flag.copy()
    values[rows], flag[rows] = values[rows][::-1], flag[rows][::-1]
    return readings.replace(channels={"eca": values}, flag=flag)


def moved(readings, line, count):
    """The readings of a line counted from a station that lies ``count`` readings on."""
    rows = np.flatnonzero(readings.line == line)
    values, flag = readings.channels["eca"].copy(), readings.flag.copy()
    values[rows[count:]] = values[rows[:-count]]
    flag[rows[:count]] |= flag_bit("missing")
    return readings.replace(channels={"eca": values}, flag=flag)


def test_clean_grids_raise_no_mistake(walk):
    # One false alarm in 20 clean grids is what the threshold stands for; more than one in 10 has a chance of 9 %.
    assert sum(bool(possible_mistakes(walked(walk, seed)[0])) for seed in SITES) <= 1


def test_lines_walked_the_other_way_are_found(walk):
    found = []
    for seed in SITES:
        readings, line = walked(walk, seed)
        mistakes = possible_mistakes(turned_round(readings, line))
        found.append([(f.code, f.line) for f in mistakes] == [("line-reversed", line)])
    # At 95 % detection 8 of 10 or fewer have a chance of 9 %.
    assert sum(found) >= 9


@pytest.mark.parametrize(("seed", "line"), [(4009, 46), (4039, 9)])
def test_line_walked_the_other_way_is_not_taken_for_another_fault(walk, seed, line):
    # On the first site it also fits a little better when exchanged with its neighbour, on the second it makes the
    # neighbour, which is held against it, look moved.
    told = possible_mistakes(turned_round(walked(walk, seed)[0], line))
    assert [(f.code, f.line) for f in told] == [("line-reversed", line)]


def test_lines_started_elsewhere_are_found(walk):
    found = []
    for seed in SITES:
        readings, line = walked(walk, seed)
        found.append(("line-shifted", line) in [(f.code, f.line) for f in possible_mistakes(moved(readings, line, 24))])
    # At 75 % detection 5 of 10 or fewer have a chance of 8 %.
    assert sum(found) >= 6


def test_evidence_is_told_and_nothing_is_changed(walk):
    readings, line = walked(walk, 300)
    spoilt = turned_round(readings, line)
    before = spoilt.channels["eca"].copy()
    (mistake,) = possible_mistakes(spoilt)
    np.testing.assert_array_equal(spoilt.channels["eca"], before)
    assert (mistake.severity, mistake.grid, mistake.walk_again) == ("warning", "A", False)
    assert "turned round (correlation 0." in mistake.found
    assert "note its true heading and start_station" in mistake.advice


def test_how_far_a_line_was_moved_is_told(walk):
    readings, line = walked(walk, 300)
    mistake = next(f for f in possible_mistakes(moved(readings, line, 24)) if f.line == line)
    # 24 readings at 8 a metre are 3 m, give or take the uneven pace, against the direction of walking.
    move = float(mistake.found.split("moved by ")[1].split(" m")[0])
    assert move == pytest.approx(-3.0 * readings.heading[readings.line == line][0], abs=0.6)


def test_ground_without_contrast_raises_no_mistake(walk):
    flat = walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.usual(0.3)).readings
    assert possible_mistakes(flat) == []


def test_constant_readings_raise_no_mistake(walk):
    assert possible_mistakes(walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.Faults()).readings) == []


def test_few_lines_tell_nothing(walk):
    readings, _ = walked(walk, 300)
    assert possible_mistakes(readings.take(readings.line <= 4)) == []


def test_a_second_channel_of_the_same_ground_adds_no_mistake(walk):
    readings, line = walked(walk, 302)
    both = readings.replace(channels={**readings.channels, "deep": 2 * readings.channels["eca"]})
    assert [f.line for f in possible_mistakes(both)] == [f.line for f in possible_mistakes(readings)]
    spoilt = turned_round(readings, line)
    twice = spoilt.replace(channels={**spoilt.channels, "deep": 2 * spoilt.channels["eca"]})
    assert [f.found for f in possible_mistakes(twice)] == [f.found for f in possible_mistakes(spoilt)]


def swapped(readings, a, b):
    """The numbers of two lines exchanged."""
    line, u = readings.line.copy(), readings.u_m.copy()
    for one, two in ((a, b), (b, a)):
        line[readings.line == one], u[readings.line == one] = two, (two - 0.5) / 2
    return readings.replace(line=line, u_m=u)


def with_values(readings, line, values):
    channel = readings.channels["eca"].copy()
    channel[readings.line == line] = values
    return readings.replace(channels={"eca": channel})


def stuttered(readings, line, at, lost):
    """The logger leaves out readings within a line and counts on."""
    rows = np.flatnonzero(readings.line == line)
    v, station = readings.v_m.copy(), readings.station.copy()
    v[rows[at + lost :]], station[rows[at + lost :]] = v[rows[at:-lost]], station[rows[at:-lost]]
    keep = np.ones(len(readings), bool)
    keep[rows[at : at + lost]] = False
    return readings.replace(v_m=v, station=station).take(keep)


@pytest.mark.parametrize(("apart", "least"), [(1, 3), (5, 5)])
def test_exchanged_lines_are_found(walk, apart, least):
    # At 75 % detection 2 of 6 or fewer have a chance of 4 %; at 95 % 4 of 6 or fewer have one of 3 %.
    found = 0
    for seed in SITES[:6]:
        readings, line = walked(walk, seed)
        line = min(max(line, 3), readings.line.max() - apart - 2)
        told = proposed(swapped(readings, line, line + apart))
        mine = [d for d in told if d.finding.code == "lines-swapped" and d.finding.line == line]
        found += bool(mine)
        for mistake in mine:
            notes = {p.line: p.note.position_m for p in mistake.proposals}
            assert notes == {line: (line + apart - 0.5) / 2, line + apart: (line - 0.5) / 2}
    assert found >= least


def elsewhere(walk, seed, away):
    """An ordinary walk in which lines (by number) truly lie ``away`` spacings from where they are recorded."""

    class Elsewhere(walk.Field):
        def at(self, u, v):
            return super().at(u + away(np.rint(u / 0.5 + 0.5)) * 0.5, v)

    rng = np.random.default_rng(seed)
    ground = walk.site(20.0, rng)
    return walk.walk(Elsewhere(20.0, ground.values), rng, walk.usual(0.3)).readings


def test_line_walked_on_the_ground_of_another_is_told(walk):
    (mistake,) = proposed(elsewhere(walk, 304, lambda line: np.where(line == 30, -18, 0)))
    assert (mistake.finding.code, mistake.finding.line) == ("line-again", 30)
    assert "on the ground of line 12" in mistake.finding.found
    assert [(p.line, p.note.kind, p.note.position_m) for p in mistake.proposals] == [(30, "redo", 5.75)]


def test_lines_walked_on_the_ground_of_others_are_told_for_what_they_are(walk):
    # They look foreign, turned round, moved, or exchanged with a neighbour where they are recorded.
    found = []
    for seed in SITES:
        told = possible_mistakes(elsewhere(walk, seed, lambda line: np.where(line == 21, -3, 0)))
        found.append(("line-again", 21) in [(f.code, f.line) for f in told])
        assert {f.line for f in told} & set(range(17, 26)) <= {21}
    # At 93 % detection 7 of 10 or fewer have a chance of 3 %.
    assert sum(found) >= 8


def test_line_walked_twice_is_looked_for_when_the_log_has_one_too_many(walk):
    readings = elsewhere(walk, 304, lambda line: np.where(line > 18, -1, 0))
    assert "line-doubled" not in {f.code for f in possible_mistakes(readings)}
    one_less = Scheme(grid="A", length_m=20, width_m=19.5, spacing_m=0.5, readings_per_m=8)
    (mistake,) = detect.possible_mistakes(readings, one_less)
    assert (mistake.finding.code, mistake.finding.line) == ("line-doubled", 19)
    first, *later = mistake.proposals
    # Line 18 lies at 8.75 m, and the true ground of line 20 is where line 19 is recorded.
    assert (first.line, first.note.kind, first.note.position_m) == (19, "redo", 8.75)
    assert [(p.line, p.note.position_m) for p in later] == [(n, 8.75 + (n - 19) * 0.5) for n in range(20, 41)]


def test_line_too_many_is_told_with_its_probability(walk):
    readings = elsewhere(walk, 304, lambda line: np.where(line > 18, -1, 0))
    one_less = Scheme(grid="A", length_m=20, width_m=19.5, spacing_m=0.5, readings_per_m=8)
    (mistake,) = detect.possible_mistakes(readings, one_less)
    assert f"with a probability of {mistake.certainty:.0%} this is the one" in mistake.finding.found
    assert "walked beyond the edge" in mistake.finding.advice


def test_lines_walked_twice_are_told_among_five_at_most(walk):
    one_less = Scheme(grid="A", length_m=20, width_m=19.5, spacing_m=0.5, readings_per_m=8)
    held, several = 0, 0
    for seed in SITES:
        readings = elsewhere(walk, seed, lambda line: np.where(line > 18, -1, 0))
        for mistake in detect.possible_mistakes(readings, one_less):
            if mistake.finding.code != "line-doubled":
                continue
            among = mistake.among or (mistake.finding.line,)
            assert mistake.finding.line in among
            assert len(among) <= 5
            held += 19 in among
            if mistake.among:
                several += 1
                named = f"one of lines {series(among, 'or')}, most probably {mistake.finding.line}"
                assert named in mistake.finding.found
                any_of, line = (float(part.split()[-1].strip("(")) for part in mistake.finding.found.split("%")[:2])
                # In whole percent; only the single line is certain enough to be accepted.
                assert line <= any_of + 0.5
                assert mistake.certainty == pytest.approx(line / 100, abs=0.006)
    # At 90 % detection 6 of 10 or fewer have a chance of 1 %.
    assert held >= 7
    assert several


@pytest.mark.parametrize(
    ("numbers", "told"),
    [
        ((7,), "7"),
        ((7, 8), "7 or 8"),
        ((7, 8, 9), "7 to 9"),
        ((3, 7, 8, 9), "3 or 7 to 9"),
        ((3, 4, 7, 9), "3, 4, 7 or 9"),
    ],
)
def test_numbers_in_words(numbers, told):
    assert series(numbers, "or") == told


def test_a_line_is_measured_with_the_one_before_it():
    assert series(with_those_before((9, 14, 15)), "and") == "8, 9 and 13 to 15"


def test_line_walked_on_the_ground_of_the_next_one(walk):
    # Line 19 was walked on the ground of line 18; all others lie where they are recorded.
    found = []
    for seed in SITES:
        told = proposed(elsewhere(walk, seed, lambda line: np.where(line == 19, -1, 0)))
        found += [d for d in told if d.finding.code == "line-again" and d.finding.line == 19]
        # Two lines on one ground look exchanged as well.
        assert not [d for d in told if d.finding.code == "lines-swapped" and {19, 18} & {p.line for p in d.proposals}]
    # At 50 % detection 1 of 10 or none have a chance of 1 %.
    assert len(found) >= 2
    for mistake in found:
        (proposal,) = mistake.proposals
        assert (proposal.note.kind, proposal.note.position_m) == ("redo", 8.75)
        assert "on the ground of line 18" in mistake.finding.found


def test_readings_of_another_line_value_by_value(walk):
    readings, _ = walked(walk, 300)
    copied = with_values(readings, 9, readings.channels["eca"][readings.line == 5])
    mistake = next(d for d in proposed(copied) if d.finding.code == "line-copied")
    assert (mistake.finding.line, mistake.finding.severity, mistake.finding.walk_again) == (9, "error", True)
    assert "those of line 5, value by value" in mistake.finding.found
    assert [(p.note.kind, p.certainty) for p in mistake.proposals] == [("void", 1.0)]


def test_copy_that_is_shorter_than_its_line(walk):
    readings, _ = walked(walk, 300)
    copied = with_values(readings, 9, readings.channels["eca"][readings.line == 5])
    rows = np.flatnonzero(copied.line == 9)
    shorter = copied.take(np.setdiff1d(np.arange(len(copied)), rows[-3:]))
    assert [d.finding.line for d in proposed(shorter) if d.finding.code == "line-copied"] == [9]
    values = copied.channels["eca"][rows].copy()
    values[-4] += 0.01
    assert "line-copied" not in [d.finding.code for d in proposed(with_values(copied, 9, values))]


def test_line_of_other_ground_is_strange(walk):
    readings, line = walked(walk, 301)
    line = min(max(line, 3), readings.line.max() - 2)
    own = readings.channels["eca"][readings.line == line]
    elsewhere = walk.walk(walk.site(40.0, np.random.default_rng(9)), np.random.default_rng(9), walk.usual(0.3)).readings
    told = proposed(with_values(readings, line, elsewhere.channels["eca"][elsewhere.line == 20][: len(own)]))
    assert [(d.finding.code, d.finding.line) for d in told] == [("line-strange", line)]
    assert told[0].proposals[0].note.kind == "dummy"


@pytest.mark.parametrize(("seed", "line", "other"), [(2015, 47, 7015), (2040, 38, 7040), (2052, 10, 7054)])
def test_line_of_other_ground_is_not_taken_for_a_moved_one(walk, seed, line, other):
    # Turned round, or some metres along, each of them fits its neighbours with a correlation of 0.7 to 0.8.
    readings, elsewhere = (walked(walk, s)[0] for s in (seed, other))
    own = elsewhere.channels["eca"][elsewhere.line == line]
    count = np.count_nonzero(readings.line == line)
    told = possible_mistakes(with_values(readings, line, np.resize(own, count)))
    assert [(f.code, f.line) for f in told] == [("line-strange", line)]


@pytest.mark.parametrize(("lost", "whole_seconds"), [(5, False), (20, False), (12, True), (20, True)])
def test_lost_readings_are_told_by_the_times(walk, lost, whole_seconds):
    readings, line = walked(walk, 303)
    spoilt = stuttered(readings, line, 70, lost)
    if whole_seconds:
        spoilt = spoilt.replace(time_s=np.floor(spoilt.time_s))
    (mistake,) = [d for d in proposed(spoilt) if d.finding.code == "readings-lost"]
    assert (mistake.finding.line, mistake.finding.walk_again) == (line, True)
    told = int(mistake.finding.found.split("About ")[1].split(" readings")[0])
    # A whole second is eight readings.
    assert told == pytest.approx(lost, abs=8 if whole_seconds else 0.5)
    assert mistake.certainty > 0.95


def test_standing_still_loses_no_readings(walk):
    readings, line = walked(walk, 303)
    rows = np.flatnonzero(readings.line == line)
    time = readings.time_s.copy()
    time[rows[70:]] += 4.0
    assert possible_mistakes(readings.replace(time_s=time)) == []


def without_times(readings):
    return readings.replace(time_s=np.full(len(readings), np.nan))


def test_lost_readings_are_told_by_the_neighbours_where_there_are_no_times(walk):
    found, places, counts = 0, [], []
    for seed in SITES:
        readings, line = walked(walk, seed)
        heading = readings.heading[readings.line == line][0]
        told = proposed(without_times(stuttered(readings, line, 80, 16)))
        for mistake in told:
            if (mistake.finding.code, mistake.finding.line) == ("readings-lost", line):
                found += 1
                # Reading 81 lies 10 m from where the line was begun.
                length = scheme_of(readings).length_m
                place = float(mistake.finding.found.split("probably ")[1].split(" m")[0])
                places.append(abs(place - (10.0 if heading > 0 else length - 10.0)))
                counts.append(int(mistake.finding.found.split("About ")[1].split(" readings")[0]))
                assert mistake.finding.walk_again
                assert [p.note.kind for p in mistake.proposals] == ["void"]
                assert mistake.certainty >= 0.8
    # At 75 % detection 5 of 10 or fewer have a chance of 8 %.
    assert found >= 6
    np.testing.assert_allclose(counts, 16, atol=2)
    # Where a line has no feature the break may lie anywhere: pits and ditches of a site are some metres apart.
    assert np.median(places) < 3.0


def test_line_stopped_early_lost_no_readings(walk):
    raised = 0
    for seed in SITES:
        readings, line = walked(walk, seed)
        rows = np.flatnonzero(readings.line == line)
        keep = np.ones(len(readings), bool)
        keep[rows[-16:]] = False
        told = possible_mistakes(without_times(readings.take(keep)))
        raised += "readings-lost" in {f.code for f in told}
    # One in five is what the least probability stands for; 4 of 10 or more have a chance of 12 %.
    assert raised <= 3


def test_times_without_a_gap_clear_a_line_that_ends_short(walk):
    readings, line = walked(walk, 303)
    spoilt = stuttered(readings, line, 70, 16)
    assert "readings-lost" in {f.code for f in possible_mistakes(without_times(spoilt))}
    steady = spoilt.replace(time_s=np.arange(len(spoilt)) / 8)
    assert "readings-lost" not in {f.code for f in possible_mistakes(steady)}


def test_proposal_for_a_line_walked_the_other_way_puts_it_where_it_was(walk):
    readings, line = walked(walk, 300)
    (mistake,) = proposed(turned_round(readings, line))
    (proposal,) = mistake.proposals
    heading = readings.heading[readings.line == line][0]
    # Counted from the far edge for the new direction, as a grid without overrun is.
    edge = scheme_of(readings).edge_stations(-heading)[0]
    assert (proposal.line, proposal.note.heading) == (line, -heading)
    assert proposal.note.start_station == pytest.approx(edge, abs=8)
    assert proposal.certainty > 0.95


def test_lines_that_the_notes_speak_of_get_no_proposal(walk):
    readings, line = walked(walk, 300)
    spoilt = turned_round(readings, line)
    (mistake,) = proposed(spoilt, [Note("A", line)])
    assert mistake.finding.code == "line-reversed"
    assert mistake.proposals == ()
    # What it implies is there all the same, for the person.
    assert [note.line for note in mistake.implied] == [line]
    (other,) = proposed(spoilt, [Note("A", line + 1), Note("A", line, kind="obstacle")])
    assert other.proposals


def test_every_search_asks_whether_to_stop(walk):
    readings, _ = walked(walk, 300)
    fractions = []
    detect.possible_mistakes(readings, scheme_of(readings), progress=fractions.append)
    assert fractions == sorted(fractions)
    # Before the lines are gathered and after each search but the last.
    assert len(fractions) >= detect.MOST_SEARCHES
    assert 0.0 == fractions[0] < fractions[-1] < 1.0

    def stop(fraction):
        if fraction > 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        detect.possible_mistakes(readings, scheme_of(readings), progress=stop)
