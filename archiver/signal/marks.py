"""Where the mark of each turn lies, once the period of the turns is roughly known.

Events are picked a period apart where it is loud, then each turn is laid over the mean
of all others: what returns at one place of the turn agrees, what is programme does not.
All turns are placed together, for a machine has weight: from one turn to the next its
speed changes little, and a turn in which the mark is faint follows its neighbours.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from archiver.signal.estimate import Reals

__all__ = ["FEWEST_TURNS", "between", "pick_events", "place_events", "robust_deviation"]

FEWEST_TURNS = 8
"""With fewer, a mark is not told from chance."""

_PHASES = 256
_REACH = 12
"""Places of a turn by which an event may move at a time: 5 % of the turn."""

_HEARD = 1.5
_MOST_SURE = 3.0
"""Agreement, in standard deviations, beyond which a turn is no more believed."""

_CHANGE, _MOST_CHANGE = 0.007, 0.014
"""Usual change from one turn to the next, in turns: 0.7 % is much for most drives. One that
swings every other turn changes by more; then it is what the marks say, up to the second."""

_MOST_PRICE = 12.0
"""Beyond this a change costs no more, so that a jump of a spring can be followed."""

_SIDE_LEAST, _SIDE_MOST = 3, 5
_STEP, _STEP_UNSEEN = 0.02, 0.006
_STEP_SURE, _STEP_USUAL = 3.5, 4.0
_SCATTER = 0.003
_PAUSE = 3


def pick_events(novelty: Reals, period: Reals, slack: float) -> NDArray[np.int64]:
    """Pick one event a turn: loud ones, at nearly even distances.

    Parameters
    ----------
    novelty : ndarray, shape (n,)
    period : ndarray, shape (n,)
        Expected distance at each place, in steps.
    slack : float
        Largest departure from it, relative.
    """
    total = novelty.copy()
    came = np.full(novelty.size, -1, np.int64)
    nearest = np.maximum(1, np.floor(period * (1.0 - slack))).astype(np.int64)
    farthest = np.ceil(period * (1.0 + slack)).astype(np.int64)
    for place in range(int(nearest.max()) + 1, novelty.size):
        begin, end = max(0, place - int(farthest[place])), place - int(nearest[place]) + 1
        if end <= begin:
            continue
        off = ((place - np.arange(begin, end)) / period[place] - 1.0) / slack
        candidates = total[begin:end] - 0.35 * off * off
        best = int(np.argmax(candidates))
        if candidates[best] > 0.0:
            total[place] += candidates[best]
            came[place] = begin + best
    tail = int(period[-1] * (1.0 + slack)) + 1
    place = novelty.size - tail + int(np.argmax(total[-tail:]))
    events = [place]
    while came[place] >= 0:
        place = int(came[place])
        events.append(place)
    return np.array(events[::-1], np.int64)


def _turns(novelty: Reals, events: Reals) -> Reals:
    """Return each turn resampled to 256 places, shape (bands, turns, places).

    A turn runs from half a turn before its event to half a turn after it.
    """
    period = np.gradient(events)
    places = events[:, None] + (np.arange(_PHASES) / _PHASES - 0.5)[None, :] * period[:, None]
    clock = np.arange(novelty.shape[1])
    rows = [np.interp(places.ravel(), clock, band).reshape(places.shape) for band in novelty]
    return np.array(rows)


def _placed(novelty: Reals, events: Reals, *, anywhere: bool) -> tuple[Reals, Reals]:
    """Move each event to where its turn agrees best with all others.

    Two marks a turn apart in kind may have been picked for one another part of the way;
    with ``anywhere`` some turns together may move to any place in the turn, so that the
    mark of most turns wins.

    Returns
    -------
    events : ndarray, shape (turns,)
        In steps, between steps.
    strength : ndarray, shape (turns,)
        How far the agreement stands out within the turn, in standard deviations.
    """
    turns = _turns(novelty, events)
    mean = turns.mean(axis=1)
    count = events.size
    # What stands out of a band's mean turn counts; the rest of it is programme.
    lone = (mean[:, None, :] * count - turns) / (count - 1)
    shape = lone - np.median(lone, axis=2, keepdims=True)
    spread = np.std(lone, axis=2, keepdims=True) + 1e-9
    noise = np.std(turns, axis=(1, 2))[:, None, None] / math.sqrt(count)
    shape = np.where(shape > 2.5 * noise, shape, 0.0) / np.maximum(spread, noise)
    spectrum = np.fft.rfft(turns - turns.mean(axis=2, keepdims=True), axis=2)
    agree = np.fft.irfft(spectrum * np.conj(np.fft.rfft(shape, axis=2)), axis=2).sum(axis=0)
    if anywhere:
        together = ndimage.uniform_filter1d(agree, min(5, count), axis=0, mode="nearest")
        top = np.argmax(np.roll(together, _PHASES // 2, axis=1), axis=1) - _PHASES // 2
        return events + top / _PHASES * np.gradient(events), np.full(count, np.inf)
    near = np.concatenate([agree[:, -_REACH:], agree[:, : _REACH + 1]], axis=1)
    scatter = np.std(agree, axis=1) + 1e-9
    middle = np.median(agree, axis=1)
    best = _together((near - middle[:, None]) / scatter[:, None], events)
    row = np.arange(count)
    left, top, right = near[row, best - 1], near[row, best], near[row, best + 1]
    bend = left - 2.0 * top + right
    # Between steps only where the place is a peak of its own.
    peak = (top >= left) & (top >= right) & (bend < -1e-9)
    within = np.where(peak, 0.5 * (left - right) / np.where(peak, bend, -1.0), 0.0)
    shift = (best - _REACH + np.clip(within, -0.5, 0.5)) / _PHASES
    return events + shift * np.gradient(events), (top - middle) / scatter


def _together(agree: Reals, events: Reals) -> NDArray[np.int64]:
    """Choose a place for each turn so that agreement is high and the speed changes little.

    Parameters
    ----------
    agree : ndarray, shape (turns, places)
        In standard deviations of chance.
    events : ndarray, shape (turns,)

    Returns
    -------
    ndarray, shape (turns,)
        Places, none of them the first or the last.
    """
    places = agree.shape[1]
    period = np.gradient(events)
    # Were chance normal, the logarithm of likelihood would be this times the agreement.
    usual = float(np.clip(np.median(agree.max(axis=1)), 1.0, _MOST_SURE))
    gain = usual * agree
    gain[:, 0] = gain[:, -1] = -1e6
    free = _placed_by(gain, events, _MOST_CHANGE) - places // 2
    bend = np.diff(events + free / _PHASES * period, 2) / period[1:-1]
    change = float(np.clip(robust_deviation(bend), _CHANGE, _MOST_CHANGE))
    return _placed_by(gain, events, change)


def _placed_by(gain: Reals, events: Reals, usual_change: float) -> NDArray[np.int64]:
    """Choose places if the speed changes by so much from one turn to the next."""
    count, places = gain.shape
    period = np.gradient(events)
    step = np.arange(places) / _PHASES
    total = gain[0][:, None] + gain[1][None, :]
    came = np.zeros((count, places, places), np.int8)
    for turn in range(2, count):
        bend = (events[turn] - 2.0 * events[turn - 1] + events[turn - 2]) / period[turn - 1]
        # Of two turns ago, one turn ago, and now.
        change = bend + step[:, None, None] - 2.0 * step[None, :, None] + step[None, None, :]
        price = np.minimum(0.5 * (change / usual_change) ** 2, _MOST_PRICE)
        sums = total[:, :, None] - price
        came[turn] = np.argmax(sums, axis=0)
        total = np.max(sums, axis=0) + gain[turn][None, :]
        total -= total.max()
    result = np.empty(count, np.int64)
    result[-2], result[-1] = np.unravel_index(int(np.argmax(total)), total.shape)
    for turn in range(count - 1, 1, -1):
        result[turn - 2] = came[turn, result[turn - 1], result[turn]]
    return result


def _steady(events: Reals, strength: Reals) -> NDArray[np.bool_]:
    """Say which events were heard and keep the rhythm of their neighbours."""
    away = np.abs(events - between(events))
    limit = max(0.02 * float(np.median(np.diff(events))), 3.0 * robust_deviation(away))
    # A single displaced event spoils the rhythm of its neighbours too; the one that is
    # farthest off goes first, the others are judged without it.
    good = strength > _HEARD
    turn = np.arange(events.size)
    for _ in range(events.size // 2):
        if good.sum() < FEWEST_TURNS:
            break
        places = np.flatnonzero(good)
        off = np.abs(_against_others(turn[places].astype(np.float64), events[places]))
        worst = int(np.argmax(off))
        if off[worst] < limit:
            break
        good[places[worst]] = False
    return np.asarray(good)


def _against_others(turn: Reals, events: Reals) -> Reals:
    """Return how far each event is from the line or parabola through its neighbours.

    The median over the three, that is from the two before, the two after, and one on
    either side, so that one bad neighbour does not condemn an event.
    """

    def line(one: int, other: int) -> Reals:
        count = turn.size
        here = np.arange(count)
        a, b = np.clip(here + one, 0, count - 1), np.clip(here + other, 0, count - 1)
        step = turn[b] - turn[a]
        slope = (events[b] - events[a]) / np.where(step == 0.0, 1.0, step)
        off = events - (events[a] + slope * (turn - turn[a]))
        return np.where(
            (here + one < 0) | (here + other >= count) | (here + one == here), np.nan, off
        )

    votes = np.abs(np.array([line(-2, -1), line(-1, 1), line(1, 2)]))
    return np.asarray(np.nanmedian(votes, axis=0))


def _longest(events: Reals, heard: NDArray[np.bool_], strength: Reals) -> tuple[int, int]:
    """Return first and last event of the longest stretch that one mark explains.

    Before the stylus is lowered and after it is lifted the works may thump at another
    place in the turn than the mark of the medium. Over events that were not heard the
    count of turns must agree with the speed on either side.
    """
    loud = heard & (strength > 0.4 * float(np.median(strength[heard])) if heard.any() else heard)
    places = np.flatnonzero(loud)
    if not places.size:
        return 0, 0
    apart = _apart(events[places], places)
    edges = [0, *(np.flatnonzero(apart) + 1).tolist(), places.size]
    spans = [(int(places[a]), int(places[b - 1])) for a, b in itertools.pairwise(edges)]
    begin, end = max(spans, key=lambda span: span[1] - span[0])
    first, last = _ends(loud[begin : end + 1])
    return begin + first, begin + last


def _apart(events: Reals, turn: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say between which neighbours one mark gives way to another, shape (turns - 1,).

    A machine changes its speed, never its angle: through some events on either side goes
    one parabola, unless the two sides are of different marks; then there is a step.
    """
    if turn.size < 2 * _SIDE_LEAST:
        return np.zeros(max(turn.size - 1, 0), np.bool_)
    period = float(np.median(np.diff(events) / np.diff(turn)))
    step, least = np.zeros(turn.size - 1), np.full(turn.size - 1, math.inf)
    for place in range(_SIDE_LEAST, turn.size - _SIDE_LEAST + 1):
        span = slice(max(0, place - _SIDE_MOST), place + _SIDE_MOST)
        clock = (turn[span] - turn[place]).astype(np.float64)
        side = np.where(clock < 0.0, 0.0, 1.0)
        design = np.stack([np.ones(clock.size), clock, clock**2, side], axis=1)
        solution, _, _, _ = np.linalg.lstsq(design, events[span], rcond=None)
        rest = events[span] - design @ solution
        scatter = math.sqrt(float(np.sum(rest**2)) / max(clock.size - 4, 1))
        # Short sides say little of where their parabola goes on.
        unsure = math.sqrt(float(np.linalg.pinv(design.T @ design)[3, 3]))
        gap = int(turn[place] - turn[place - 1])
        step[place - 1] = abs(solution[3])
        least[place - 1] = max(
            period * (_STEP + _STEP_UNSEEN * (gap - 1)),
            _STEP_SURE * unsure * max(scatter, _SCATTER * period),
        )
    # A speed that swings within a few turns looks like a step everywhere.
    stepped = step > np.maximum(least, _STEP_USUAL * float(np.median(step)))
    return np.asarray(stepped | _miscounted(events, turn))


def _miscounted(events: Reals, turn: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say over which turns that were not heard their count disagrees with the speed beside them.

    A parabola says too little over a pause that is longer than what lies on either side.
    """
    result = np.zeros(turn.size - 1, np.bool_)
    for place in np.flatnonzero(np.diff(turn) >= _PAUSE).tolist():
        periods = [
            float(events[last] - events[first]) / int(turn[last] - turn[first])
            for first, last in (
                (max(0, place - 3), place),
                (place + 1, min(turn.size - 1, place + 4)),
            )
            if last > first
        ]
        if not periods:
            result[place] = True
            continue
        gap = int(turn[place + 1] - turn[place])
        counted = float(events[place + 1] - events[place]) / float(np.mean(periods))
        result[place] = abs(counted - gap) > 0.03 + 0.006 * gap
    return result


def _ends(heard: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the first and the last event in which three of four in a row were heard."""
    if heard.size < 4:
        return 0, 0
    near = np.convolve(heard.astype(np.int64), np.ones(4, np.int64), mode="valid") >= 3
    places = np.flatnonzero(near)
    if not places.size:
        return 0, 0
    inside = np.flatnonzero(heard[places[0] : places[-1] + 4]) + places[0]
    return int(inside[0]), int(inside[-1])


def between(events: Reals) -> Reals:
    """Where each event should be by its two neighbours on either side."""
    padded = np.concatenate(
        [
            2.0 * events[:1] - events[2:0:-1],
            events,
            2.0 * events[-1:] - events[-2:-4:-1],
        ]
    )
    # A cubic through two neighbours on either side.
    return np.asarray((4.0 * (padded[1:-3] + padded[3:-1]) - (padded[:-4] + padded[4:])) / 6.0)


def robust_deviation(values: Reals) -> float:
    """Return a standard deviation from the median of absolute values."""
    return float(1.4826 * np.median(np.abs(values)))


def place_events(novelty: Reals, picked: Reals) -> tuple[Reals, NDArray[np.bool_]] | None:
    """Place the mark of every turn.

    Parameters
    ----------
    novelty : ndarray, shape (bands, n)
        Of the bands in which the mark is heard.
    picked : ndarray, shape (turns,)
        One event a turn, in steps.

    Returns
    -------
    events : ndarray, shape (turns,)
        In steps, between steps; the longest stretch that one mark explains.
    heard : ndarray, shape (turns,), bool
        False where the mark was not heard and its time follows from its neighbours.
    None
        No mark returns evenly enough.
    """
    events = picked
    heard = np.ones(events.size, np.bool_)
    for _ in range(2):
        events, _ = _placed(novelty, events, anywhere=True)
    for _ in range(4):
        events, strength = _placed(novelty, events, anywhere=False)
        heard = _steady(events, strength)
        # A place picked at the very edge may be moved beyond it, where nothing sounds.
        heard &= (events > 1.0) & (events < novelty.shape[1] - 2.0)
        first, last = _longest(events, heard, strength)
        if last - first < FEWEST_TURNS:
            return None
        events, heard = events[first : last + 1], heard[first : last + 1]
        turn = np.arange(events.size)
        events = np.interp(turn, turn[heard], events[heard])
    return events, heard
