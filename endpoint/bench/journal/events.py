"""What happens in a run, as events, and how they are written down; pure.

An event is never changed. A correction is an event that refers to an older one by its number, and
so is an undo, which may cancel a correction or another undo as well.

Colours are packed as little-endian 64-bit numbers, so that they come back to the last bit: index
and flags as integers, then time_s, density (3), display_density (3), density_sigma (3),
reference (3), spread and the pose (dx, dy, turn_deg, scale, likeness). Everything else is JSON,
with the bytes of a picture next to it.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, NamedTuple

from endpoint.colour.density import ColourSample
from endpoint.problems import Flag
from endpoint.scene.tracking import HOME, Pose

_COLOUR = struct.Struct("<qq19d")
_AT_HOME = [HOME.dx, HOME.dy, HOME.turn_deg, HOME.scale, HOME.likeness]
MOST_TEXT_BYTES = 4_000_000
"""Bytes of the text of one event at most."""


@dataclass(frozen=True)
class Stamp:
    """When an event was written down."""

    mono_s: float
    """Monotonic clock of the machine, s; begins anew when the machine starts."""
    wall_s: float
    """Clock on the wall, s since 1970-01-01 UTC; may be set back or forward."""


@dataclass(frozen=True)
class RunHead:
    """What is known when a run is opened. It is the first event of every run."""

    label: str
    record: Mapping[str, Any]
    """Tables of a titration record as plain data, without `recording`; dates as text. See
    `endpoint.bench.journal.export.run_head`, which makes it from a record."""
    files: Mapping[str, str] = field(default_factory=dict)
    """Texts of the certificates and results that the record names, by the names it uses."""
    replicate: int = 1
    source: str = ""
    """Where the pictures come from: "browser camera", "USB camera 0", the name of a film."""
    program: str = ""
    """Program and version."""
    form: Mapping[str, Any] = field(default_factory=dict)
    """What was typed on the page before the run; fills it in again when the run is resumed."""


@dataclass(frozen=True)
class Check:
    """One line of the set-up checks."""

    code: str
    mark: str
    text: str


class Asked(NamedTuple):
    """What the page had asked for before a reading was typed; None where it had not."""

    asked_s: float | None = None
    """When, on the clock of the frames: until then the volume was that of the reading before."""
    closed_s: float | None = None
    """When it said to close the tap."""
    drops: int | None = None
    """How many drops, if it was drops."""


NOT_ASKED = Asked()


@dataclass(frozen=True)
class Reading:
    """Reading of the burette; the first of a run is the start, before anything is delivered."""

    time_s: float
    """On the clock of the frames."""
    burette_ml: float
    """As printed on the burette; it rises while titrant is delivered."""
    refill: bool = False
    """Whether this is the first reading after the burette was filled again."""
    how: str = "typed"
    """"typed", "meniscus" or "drops"."""
    asked_s: float | None = None
    closed_s: float | None = None
    drops: int | None = None
    """As in `Asked`."""

    @property
    def asked(self) -> Asked:
        """What the page had asked for."""
        return Asked(self.asked_s, self.closed_s, self.drops)

    def moved(self, later_s: float) -> Reading:
        """The same on another clock."""
        asked_s = None if self.asked_s is None else self.asked_s + later_s
        closed_s = None if self.closed_s is None else self.closed_s + later_s
        return replace(self, time_s=self.time_s + later_s, asked_s=asked_s, closed_s=closed_s)


@dataclass(frozen=True)
class PumpRate:
    """From now on the pump runs at this rate, mL/min; 0 while it is held or when it stops."""

    time_s: float
    rate_ml_min: float


@dataclass(frozen=True)
class Correction:
    """A reading was wrong: this is what the burette showed. The last correction counts."""

    of: int
    """Number of the `Reading`."""
    burette_ml: float
    time_s: float | None = None
    """The right time, if that was wrong too."""


@dataclass(frozen=True)
class Undo:
    """What a person did no longer counts: see `may_refer`."""

    of: int
    """Number of that event."""


@dataclass(frozen=True)
class RegionSeen:
    """Where liquid and reference were found."""

    about: Mapping[str, Any]
    """Boxes and outline as plain data."""
    mask: bytes = b""
    """The whole region as `seen_events` packs it."""


@dataclass(frozen=True)
class TubeSeen:
    """What the full burette looks like, for a volume read from the meniscus; the last counts."""

    about: Mapping[str, Any]
    """Place of the tube and volume between two lines as plain data, see `seen_events`."""
    data: bytes = b""
    """The light along its bore, little-endian 64-bit numbers."""


@dataclass(frozen=True)
class VolumeSeen:
    """What the pictures show of meniscus or drops; replaces rows of that time and later."""

    way: str
    """"meniscus" or "drops"."""
    since_s: float
    about: Mapping[str, Any]
    """What belongs to the rows as plain data, see `seen_events`."""
    data: bytes = b""
    """The rows, little-endian 64-bit numbers."""


@dataclass(frozen=True)
class Still:
    """One picture as JPEG."""

    time_s: float
    jpeg: bytes


@dataclass(frozen=True)
class Finding:
    """A verdict; the last that is final ends the run."""

    status: str
    """"located", "bracketed" or "none"."""
    result: Mapping[str, Any]
    """Plain data of `result.document.document`; may be short while the run goes on."""
    final: bool = True


@dataclass(frozen=True)
class GivenUp:
    """The run ends without a result."""

    reason: str


@dataclass(frozen=True)
class WentOn:
    """Titrant is added to a run that was finished: its finding no longer ends it."""

    time_s: float
    """On the clock of the frames."""


@dataclass(frozen=True)
class Discarded:
    """A finished run does not count; the journal keeps it."""

    reason: str


@dataclass(frozen=True)
class Resumed:
    """The run is resumed after the program ended without closing it."""

    time_s: float
    """Where the clock of the frames continues, s."""
    sure: bool
    """False where the two clocks of the machine disagree about the length of the break."""


@dataclass(frozen=True)
class Incident:
    """Something that the person should still know later."""

    code: str
    """"clock-jump", "camera-lost", "camera-back", "page-closed", "asleep"..."""
    text: str
    seconds: float | None = None


@dataclass(frozen=True)
class Note:
    """Words of the person."""

    text: str


@dataclass(frozen=True)
class Unknown:
    """An event of a kind that a newer version of this program writes; kept as it is."""

    kind: str
    body: str
    data: bytes = b""


Event = (
    RunHead
    | ColourSample
    | Check
    | Reading
    | PumpRate
    | Correction
    | Undo
    | RegionSeen
    | TubeSeen
    | VolumeSeen
    | Still
    | Finding
    | GivenUp
    | WentOn
    | Discarded
    | Resumed
    | Incident
    | Note
    | Unknown
)

KINDS: dict[str, type[Event]] = {
    "opened": RunHead,
    "colour": ColourSample,
    "check": Check,
    "reading": Reading,
    "pump-rate": PumpRate,
    "correction": Correction,
    "undo": Undo,
    "region": RegionSeen,
    "tube": TubeSeen,
    "volume-seen": VolumeSeen,
    "still": Still,
    "finding": Finding,
    "given-up": GivenUp,
    "went-on": WentOn,
    "discarded": Discarded,
    "resumed": Resumed,
    "incident": Incident,
    "note": Note,
}
_KIND_OF = {kind: name for name, kind in KINDS.items()}
_NEEDED: dict[str, tuple[type, ...]] = {
    "time_s": (float, int, type(None)),
    "asked_s": (float, int, type(None)),
    "closed_s": (float, int, type(None)),
    "drops": (int, type(None)),
    "burette_ml": (float, int),
    "rate_ml_min": (float, int),
    "of": (int,),
    "replicate": (int,),
    "label": (str,),
    "text": (str,),
    "reason": (str,),
    "status": (str,),
    "record": (dict,),
    "files": (dict,),
    "result": (dict,),
    "about": (dict,),
    "way": (str,),
    "since_s": (float, int),
}
"""Types that are checked on reading, as a text that was changed by hand would fail later."""
_BYTES = ("jpeg", "mask", "data")
OF_FRAMES = ("colour", "still", "volume-seen")
"""Kinds that come with the pictures, many a second, without anybody doing anything."""
_CAN_BE_UNDONE = ("reading", "pump-rate", "correction", "undo", "discarded")


@dataclass(frozen=True)
class Kept:
    """An event as it stands in the journal."""

    number: int
    """Unique and rising over the whole journal."""
    run: int
    stamp: Stamp
    event: Event


def kind_of(event: Event) -> str:
    """Name of the kind of an event."""
    return event.kind if isinstance(event, Unknown) else _KIND_OF[type(event)]


def may_refer(kind: str, target: str | None) -> bool:
    """Whether a "correction" or "undo" may refer to an event of the kind `target`."""
    if kind == "correction":
        return target == "reading"
    return target in _CAN_BE_UNDONE


def encode(event: Event) -> tuple[str, str, bytes | None]:
    """Kind, JSON text and bytes of an event.

    Raises
    ------
    ValueError
        A number is not finite, or the text is longer than 4 MB.
    """
    if isinstance(event, ColourSample):
        return "colour", "", _pack(event)
    if isinstance(event, Unknown):
        return event.kind, event.body, event.data
    body = {f.name: getattr(event, f.name) for f in fields(event)}
    data = next((body.pop(name) for name in _BYTES if name in body), None)
    text = json.dumps(body, allow_nan=False, ensure_ascii=False, default=_plain)
    # A lone surrogate cannot be written as text.
    text = text.encode("utf-8", "replace").decode("utf-8")
    if len(text) > MOST_TEXT_BYTES:
        raise ValueError("an event of a journal is at most 4 MB of text")
    return kind_of(event), text, data


def decode(kind: str, text: str, data: bytes | None) -> Event:
    """Event of a kind from its text and bytes.

    Raises
    ------
    KeyError, TypeError, ValueError, struct.error
        They do not fit together: the journal is damaged.
    """
    if kind == "colour":
        return _unpack(data or b"")
    if kind not in KINDS:
        return Unknown(kind, text, data or b"")
    body = json.loads(text)
    for name in _BYTES:
        if name in {f.name for f in fields(KINDS[kind])}:
            body[name] = data or b""
    event = KINDS[kind](**body)
    for name, kinds in _NEEDED.items():
        if not isinstance(getattr(event, name, kinds[0]()), kinds):
            raise ValueError(name)
    return event


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"{type(value).__name__} is not plain data")


def _pack(sample: ColourSample) -> bytes:
    pose = sample.pose
    return _COLOUR.pack(
        sample.index,
        int(sample.flags),
        sample.time_s,
        *sample.density,
        *sample.display_density,
        *sample.density_sigma,
        *sample.reference,
        sample.spread,
        *(pose.dx, pose.dy, pose.turn_deg, pose.scale, pose.likeness),
    )


def _unpack(data: bytes) -> ColourSample:
    index, flags, *v = _COLOUR.unpack(data)
    return ColourSample(
        index=index,
        time_s=v[0],
        density=(v[1], v[2], v[3]),
        display_density=(v[4], v[5], v[6]),
        density_sigma=(v[7], v[8], v[9]),
        reference=(v[10], v[11], v[12]),
        spread=v[13],
        flags=Flag.NONE if flags == 0 else Flag(flags),
        pose=HOME if v[14:19] == _AT_HOME else Pose(*v[14:19]),
    )
