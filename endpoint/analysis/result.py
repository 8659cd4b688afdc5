"""Everything that is known of one titration; a report only draws it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from calibration.quantity import Quantity
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.burette.picture_volume import PictureVolume
from endpoint.colour.kept_pictures import KeptPicture
from endpoint.curve.points import Curve
from endpoint.equivalence.fit import Estimate, Transition
from endpoint.hardness.formula import Hardness
from endpoint.hardness.split import Split
from endpoint.messages import Sentence
from endpoint.recording.frame import Box
from endpoint.scene.region import Region
from endpoint.scene.tracking import Pose
from endpoint.verdict.verdict import Verdict


@dataclass(frozen=True, eq=False)
class Result:
    """Result of one titration. What is not known or may not be said is None or empty."""

    job: AnalysisInputs
    verdict: Verdict
    curve: Curve | None = None
    fit: Transition | None = None
    midpoint: Estimate | None = None
    last_red: Estimate | None = None
    hardness: Hardness | None = None
    splits: tuple[Split, ...] = ()
    """Calcium and magnesium, where calcium was titrated alone; carbonate hardness, where the
    alkalinity is stated."""
    equivalence_quantity: Quantity | None = None
    """Equivalence volume in mL with every named contribution, the burette's too."""
    amount_mmol_l: Quantity | None = None
    """Titrated metal in the sample, mmol/L: the hardness where the metals make one."""
    region: Region | None = None
    film_frames: int | None = None
    """Frames that the recording holds, where that is known; not all of them need be looked at."""
    source_notes: tuple[str, ...] = ()
    source_details: dict[str, str] = field(default_factory=dict)
    first_frame: Any = None
    """Whole first frame as uint8 RGB for the report."""
    pictures: tuple[KeptPicture, ...] = ()
    """Small pictures over the whole recording, for the report."""
    poses: tuple[Pose, ...] = ()
    """How the flask stood in each of them, compared with where it was found."""
    seen_volume: PictureVolume | None = None
    """Delivered volume with an uncertainty of its own, from the picture or from the log."""
    seen_box: Box | None = None
    """Where in the picture it was read."""

    def __repr__(self) -> str:
        volume = self.equivalence
        found = "" if volume is None else f", equivalence {volume.value_ml:.3f} mL"
        return f"<Result {self.label!r}: {self.status}{found}>"

    @property
    def label(self) -> str:
        """Name of the sample."""
        return self.job.label

    @property
    def equivalence(self) -> Estimate | None:
        """Equivalence volume, only if located."""
        return self.verdict.equivalence

    @property
    def status(self) -> str:
        """located, bracketed or none."""
        return self.verdict.status

    @property
    def reasons(self) -> tuple[Sentence, ...]:
        """Why not located, empty if located."""
        return self.verdict.reasons

    @property
    def remarks(self) -> tuple[Sentence, ...]:
        """Diagnosis."""
        return self.verdict.remarks
