"""Indicators that are known by name only: what they show, and why there is no model of them.

Nobody should take the program's silence on a bottle from the shelf for a sign that it fits. Uses
and pH are those of the reagent books (G. Schwarzenbach, H. Flaschka, Complexometric Titrations,
2nd edition 1969; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

BOTH = "calcium and magnesium together"
_ALKALINE, _BUFFERED = "pH 12 to 13", "pH 10"


@dataclass(frozen=True)
class OtherIndicator:
    """A metal indicator without constants."""

    name: str
    shows: str
    """Metals whose end it shows."""
    ph: str
    other_names: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What it is for."""
        return f"{self.name} shows the end of {self.shows} at {self.ph}"

    @property
    def instead(self) -> str:
        """Which known indicator does the same; empty where none does."""
        if self.shows == BOTH:
            return "Eriochrome Black T"
        if self.shows == "calcium alone":
            return "calconcarboxylic acid, hydroxynaphthol blue or murexide"
        return "xylenol orange" if "zinc" in self.shows else ""


def letters_of(name: str) -> str:
    """Name without capitals, spaces and signs, so that it is found however it is written."""
    return "".join(filter(str.isalnum, name.casefold()))


_METAL_INDICATORS = (
    OtherIndicator(
        "Calcon",
        "calcium alone",
        _ALKALINE,
        ("Eriochrome Blue Black R", "Mordant Black 17", "Solochrome Dark Blue"),
    ),
    OtherIndicator("Calcein", "calcium alone", _ALKALINE, ("Fluorexon", "Fluorescein complexone")),
    OtherIndicator("Glyoxal bis(2-hydroxyanil)", "calcium alone", _ALKALINE, ("GBHA",)),
    OtherIndicator(
        "Thymolphthalexone", "calcium alone", "pH 10.5 to 12", ("Thymolphthalein complexone",)
    ),
    OtherIndicator("Calmagite", BOTH, _BUFFERED),
    OtherIndicator(
        "Eriochrome Blue Black B", BOTH, _BUFFERED, ("Eriochrome Black B", "Mordant Black 3")
    ),
    OtherIndicator("Acid Chrome Blue K", BOTH, _BUFFERED, ("Chrome Blue K",)),
    OtherIndicator(
        "Phthalein purple", BOTH, "pH 10 to 11", ("Metalphthalein", "Phthalein complexone")
    ),
    OtherIndicator("Zincon", "zinc, or of calcium with EGTA,", "pH 9 to 10"),
    OtherIndicator("PAN", "copper and zinc", "pH 4 to 6", ("1-(2-Pyridylazo)-2-naphthol",)),
    OtherIndicator("Dithizone", "zinc", "pH 4.5 to 5.5"),
    OtherIndicator("Fast Sulphon Black F", "copper", "pH 11 to 12", ("Fast Sulfon Black F",)),
    OtherIndicator("Sulfosalicylic acid", "iron", "pH 2 to 3", ("Sulphosalicylic acid",)),
    OtherIndicator("Tiron", "iron", "pH 2 to 3"),
    OtherIndicator("Variamine blue", "iron", "pH 2 to 3", ("Variamine blue B",)),
)
_BY_LETTERS = {
    letters_of(name): each for each in _METAL_INDICATORS for name in (each.name, *each.other_names)
}
_OF_OTHER_TITRATIONS = (
    "methylorange methylred methylyellow phenolphthalein thymolphthalein thymolblue "
    "bromothymolblue bromophenolblue bromocresolgreen bromocresolpurple phenolred cresolred "
    "congored litmus starch ferroin diphenylamine potassiumchromate fluorescein"
)
"""Letters of the indicators of acids, oxidants, chloride and iodine that teaching laboratories have
on the shelf."""


def other_indicator(name: str) -> OtherIndicator | None:
    """A metal indicator that the program knows by name only."""
    return _BY_LETTERS.get(letters_of(name))


def shows_no_metal(name: str) -> bool:
    """Whether it is an indicator of acids, oxidants, chloride or iodine."""
    return letters_of(name) in _OF_OTHER_TITRATIONS.split()
