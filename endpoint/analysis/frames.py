"""Which times of a film are looked at, so that not every picture has to be decoded.

Steps: only the last seconds of a pause count for the curve (`delivery.look_s`), so only they and
what leads to them are decoded. Continuous delivery: a few key pictures show where the colour
changes, bisection narrows it down, there every picture is read, elsewhere a short burst for every
point of the curve.

Whatever is odd (colour that changes twice or not at all, frames that are set aside, a film of few
key pictures) makes the answer None: then every picture has to be read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourSample, trace
from endpoint.colour.follow import follow, measured
from endpoint.colour.linear_light import Transfer
from endpoint.curve.gathering import from_colour
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery, look_s
from endpoint.delivery.log_end import after_the_end
from endpoint.recording.frame import Frame, PictureSource, SeekingSource, Spans, Stamps
from endpoint.scene.region import Region

FloatArray = NDArray[np.float64]

# Chosen on rendered films; no study of the single values was kept. A wrong value costs time only:
# whatever is unclear makes every picture be read, and tests/analysis/test_frames.py compares both.
_MOST_DECODED = 0.7
"""Above this part of a film, reading it through costs hardly more."""
_LEAST_USABLE = 0.7
"""Part of the frames of every span that must be free of flags."""
_LEAST_KEYS = 12
"""Key pictures of a film that is searched. With fewer the change lies between two of them."""
_FIRST_LOOKS = 24
"""Key pictures over the whole film that are looked at first."""
_MOST_HALVINGS = 8
"""Bisections of the places where the change begins and ends: 24 looks and 8 halvings tell
0.02 % of the volume, finer than key pictures stand."""
_NEAR_ML = 0.3
"""Volume between two looks, mL, below which bisection stops; `_MARGIN_ML` covers it."""
_MARGIN_ML = 2.0
"""Volume before and behind the change, mL, in which every picture is read: the plateaus of the fit.
Less, and the plateaus are known from bursts alone."""
_BURST_S, _BURST_FRAMES = 1.0, 10
"""Length of a burst elsewhere, s and frames, whichever is longer: one point of the curve."""
_BIN_ML = 0.1
"""Volume between two bursts, mL; never more than 300 of them."""
_LEAST_BURSTS = 0.85
"""Part of the bursts wanted that key pictures must allow."""
_HOLD_LOOK_S = 3.0
"""Time between two bursts while nothing is delivered, s."""
_START_LOOK_S = 4.0
"""What is read before and after the start of a pump, s: its first plume is looked for there."""
_LOW, _HIGH = 0.1, 0.9
"""Signal up to which the change has not begun, and from which it is over."""
_LEAST_CHANGE = 0.08
"""Change of the density, over all channels, below which no change is seen in a few pictures."""
_WAVER = 0.15
"""How far the colour may go back, as a part of the whole change."""


@dataclass(frozen=True)
class Look:
    """What one look at a film needs to know."""

    region: Region
    delivery: Delivery
    flask_ml: float
    lag_s: float
    transfer: Transfer = "srgb"
    on_frame: Callable[[Frame], None] | None = None
    """Sees every frame that is read."""

    def seen(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """Pass frames on; each is shown to `on_frame`."""
        for frame in frames:
            if self.on_frame is not None:
                self.on_frame(frame)
            yield frame


def samples_of(source: PictureSource, look: Look) -> list[ColourSample] | None:
    """Colours of the frames that matter, in time order; None where every frame has to be read.

    Parameters
    ----------
    source:
        A recording; only one that can be read in parts is.
    look:
        Where to look, and what was delivered when.
    """
    if not isinstance(source, SeekingSource) or look.delivery.mode == "per-still":
        return None
    stamps = source.stamps()
    if stamps.time_s.size < 2 or stamps.key_s.size == 0:
        return None
    spans: Spans | None = None
    if look.delivery.mode == "steps":
        spans = step_spans(look.delivery, stamps, look.lag_s)
    else:
        spans = sweep_spans(_Search(source, look, stamps))
    if spans is None or stamps.share_decoded(spans) > _MOST_DECODED:
        return None
    samples = list(follow(look.seen(source.frames_within(spans)), look.region, look.transfer))
    return samples if is_enough(samples, spans, stamps) else None


def step_spans(delivery: Delivery, stamps: Stamps, lag_s: float) -> Spans:
    """Return the last seconds of every pause, and the first and the last picture.

    Parameters
    ----------
    delivery:
        In steps.
    stamps:
        Times of the pictures.
    lag_s:
        Mixing time, s.
    """
    first_s, last_s = float(stamps.time_s[0]), float(stamps.time_s[-1])
    pauses = delivery.settled_spans(first_s, last_s, lag_s)
    ends = [(first_s, first_s), (last_s, last_s)]
    after = after_the_end(delivery, first_s, last_s)
    if after is not None:
        ends.append(after)
    long_s = look_s(stamps.time_s)
    return Spans.of([(max(start, stop - long_s), stop) for _, start, stop in pauses] + ends)


def is_enough(samples: list[ColourSample], spans: Spans, stamps: Stamps) -> bool:
    """Whether nearly all pictures of every span were read, and most of them can be used."""
    which = np.array([spans.which(sample.time_s) for sample in samples], dtype=np.int64)
    good = np.array([sample.flags == 0 for sample in samples], dtype=bool)
    spanned = np.array([spans.which(time) for time in stamps.time_s.tolist()], dtype=np.int64)
    inside = spanned >= 0
    wanted = spanned[inside][measured(stamps.time_s[inside])]
    many = [np.bincount(each, minlength=len(spans)) for each in (which, which[good], wanted)]
    read, usable, count = many
    return bool(np.all((read >= 0.9 * count) & (usable >= _LEAST_USABLE * count)))


@dataclass(eq=False)
class _Search:
    """Key pictures that were looked at so far."""

    source: SeekingSource
    look: Look
    stamps: Stamps
    seen: dict[float, ColourSample] = field(default_factory=dict)

    def see(self, keys_s: FloatArray) -> None:
        """Look at key pictures; those seen before are not read again."""
        new = [key for key in keys_s.tolist() if key not in self.seen]
        if not new:
            return
        frames = self.look.seen(self.source.frames_within(Spans.of((key, key) for key in new)))
        for sample in follow(frames, self.look.region, self.look.transfer):
            self.seen[sample.time_s] = sample

    def curve(self) -> Curve:
        """Colour against volume as far as it is known."""
        order = [self.seen[time] for time in sorted(self.seen)]
        look = self.look
        return from_colour(trace(order), look.delivery, look.flask_ml, look.lag_s)


def sweep_spans(search: _Search) -> Spans | None:
    """Every picture where the colour changes, bursts elsewhere; None if this is not clear.

    Parameters
    ----------
    search:
        A film with continuous delivery, nothing looked at yet.
    """
    keys = search.stamps.key_s
    if keys.size < _LEAST_KEYS:
        return None
    picks = np.unique(np.linspace(0, keys.size - 1, _FIRST_LOOKS).round().astype(int))
    search.see(keys[picks])
    change = single_change(search.curve())
    for _ in range(_MOST_HALVINGS):
        if change is None:
            return None
        middle = [key for low, high in change if (key := _between(search, low, high)) is not None]
        if not middle:
            break
        search.see(np.array(middle))
        change = single_change(search.curve())
    if change is None:
        return None
    delivery, stamps = search.look.delivery, search.stamps
    first_s, last_s = float(stamps.time_s[0]), float(stamps.time_s[-1])
    start = _time_of(delivery, change[0][0] - _MARGIN_ML)
    stop = _time_of(delivery, change[1][1] + _MARGIN_ML)
    dense = (max(start, first_s), min(stop, last_s))
    bursts = _bursts(delivery, stamps, dense)
    if bursts is None:
        return None
    after = after_the_end(delivery, first_s, last_s)
    ends = [] if after is None else [after, (last_s - (after[1] - after[0]), last_s)]
    begin_s = delivery.begin_s
    if first_s < begin_s < dense[0]:
        ends.append((max(begin_s - _START_LOOK_S, first_s), begin_s + _START_LOOK_S))
    return Spans.of([dense, (first_s, first_s), (last_s, last_s), *ends, *bursts])


def single_change(
    curve: Curve,
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Volumes between which the change begins, and between which it ends, in mL.

    None where there is no clear change, or where the colour goes back by more than scatter.
    """
    volume_ml, signal = curve.volume_ml, curve.signal
    if len(curve) < _LEAST_KEYS // 2 or curve.change < _LEAST_CHANGE:
        return None
    if np.max(np.maximum.accumulate(signal) - signal) > _WAVER:
        return None
    over = np.flatnonzero(signal > 0.5)
    if over.size == 0 or over[0] == 0:
        return None
    low = np.flatnonzero(signal[: over[0]] < _LOW)
    high = np.flatnonzero(signal[over[0] :] > _HIGH) + over[0]
    if low.size == 0 or high.size == 0:
        return None
    i, j = int(low[-1]), int(high[0])
    return (
        (float(volume_ml[i]), float(volume_ml[i + 1])),
        (float(volume_ml[j - 1]), float(volume_ml[j])),
    )


def _between(search: _Search, low_ml: float, high_ml: float) -> float | None:
    """Key picture nearest to the middle of two volumes, if they are far apart and one is there."""
    if high_ml - low_ml < _NEAR_ML:
        return None
    delivery = search.look.delivery
    start, stop = _time_of(delivery, low_ml), _time_of(delivery, high_ml)
    keys = search.stamps.key_s
    keys = keys[(keys > start + 1e-3) & (keys < stop - 1e-3)]
    keys = np.array([key for key in keys.tolist() if key not in search.seen])
    if keys.size == 0:
        return None
    return float(keys[np.argmin(np.abs(keys - 0.5 * (start + stop)))])


def _bursts(
    delivery: Delivery, stamps: Stamps, dense: tuple[float, float]
) -> list[tuple[float, float]] | None:
    """A moment after one key picture for every point of the curve outside the dense part.

    None where key pictures are too rare for that.
    """
    keys_s, last_s = stamps.key_s, float(stamps.time_s[-1])
    volume_ml = delivery.volume_at(keys_s)
    delivered = np.ptp(delivery.volume_at(np.array([stamps.time_s[0], last_s])))
    seen_in_full = np.ptp(delivery.volume_at(np.array(dense)))
    width_ml = max(_BIN_ML, float(delivered) / 300.0)
    long_s = max(_BURST_S, _BURST_FRAMES * float(np.median(np.diff(stamps.time_s))))
    bursts: list[tuple[float, float]] = []
    done, points, seen_s = -1, 0, -np.inf
    for key, volume in zip(keys_s.tolist(), volume_ml.tolist(), strict=True):
        number = int((volume - volume_ml[0]) / width_ml)
        # Before titrant runs in nothing changes, but a plume would say that it does.
        holds = volume == volume_ml[0] and key >= seen_s + _HOLD_LOOK_S
        if (number > done or holds) and not dense[0] <= key <= dense[1]:
            points += number > done
            done, seen_s = number, key
            bursts.append((key, min(key + long_s, last_s)))
    wanted = float(delivered - seen_in_full) / width_ml
    return bursts if points >= _LEAST_BURSTS * wanted - 1.0 else None


def _time_of(delivery: Delivery, volume_ml: float) -> float:
    """Time at which a volume is delivered, s."""
    rising = np.r_[True, np.diff(delivery.volume_ml) > 0]
    return float(np.interp(volume_ml, delivery.volume_ml[rising], delivery.time_s[rising]))
