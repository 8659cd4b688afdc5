"""A population of titrations as people make them, through the whole program. A study on request.

    python -m tests.studies.population --count 60 --first 1
    python -m tests.studies.population --count 30 --level film
    python -m tests.studies.population --count 300 --delivery pump
    python -m tests.studies.population --seed 17

Everything is drawn at once from one seed (`tests.population`), and every draw is graded by a rule
that looks at the truth alone. At the level of colours the program gets what it would measure in a
film, at the level of films a small film. Seeds 1 to 999 are for tuning; of those from 5000 up only
the table is printed, so that nobody looks at one of them.
"""

from __future__ import annotations

import argparse
import datetime
import re
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.places import ROOT
from tests.population.draws import FIRST_HELD_BACK_SEED, draw
from tests.population.grading import GRADES
from tests.population.judging import Outcome, judged
from tests.population.telling import told

_RESULTS = ROOT / "tests" / "studies" / "RESULTS.md"
_BAD_ML = 0.05
_FILM_OF = 10
"""At the level of both, one seed of so many is a film."""


def outcome_of(seed: int, level: str) -> Outcome:
    """Outcome of one seed in a folder that is removed afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        if level == "film" or (level == "both" and seed % _FILM_OF == 0):
            from tests.population.films import judged_film

            return judged_film(seed, Path(folder))
        return judged(seed, Path(folder))


def outcomes_of(seeds: Sequence[int], level: str, jobs: int) -> Iterator[Outcome]:
    """Outcomes in the order of their seeds."""
    if jobs <= 1:
        yield from (outcome_of(seed, level) for seed in seeds)
        return
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from pool.map(outcome_of, seeds, [level] * len(seeds))


def is_bad(o: Outcome) -> bool:
    """Whether somebody should look at this one."""
    if o.false or o.status in ("crash", "asked") or o.holds is False:
        return True
    if o.grade == "good":
        return o.value_ml is None or abs(o.error_ml or 0.0) > _BAD_ML
    return o.grade == "hard" and o.value_ml is None and not o.is_closed


def line(o: Outcome) -> str:
    """One draw in one line: what was given, as distances from the truth."""
    given = ""
    if o.value_ml is not None:
        given = f"{o.error_ml:+.3f} u {o.uncertainty_ml:.3f}"
    elif o.interval_ml is not None:
        low, high = o.interval_ml
        top = "open" if high is None else f"{high - o.truth_ml:+.3f}"
        given = f"{low - o.truth_ml:+.3f}..{top}"
    inside = {None: "", True: "in", False: "OUT"}[o.holds]
    faults = ", ".join((*o.because, *o.picture))
    return (
        f"{o.seed:>6} {o.grade:<8}{o.event:<21}{o.delivery:<6}{o.status:<10}{given:<17}{inside:<4}"
        f"{'FALSE ' if o.false else ''}{' '.join(o.codes)} ({' '.join(o.remarks)}) "
        f"[{faults}; Mg {o.magnesium:.2f}, dye {o.indicator_umol_l:.0f}, "
        f"late {o.late_s:.1f} s, clock {o.clock_s:+.1f} s, {o.fps:g} fps]"
    )


_HEAD = (
    f"{'':<22}{'n':>5}{'located':>9}{'bracket':>9}{'none':>6}{'asked':>7}{'median':>9}{'worst':>8}"
    f"{'hold':>11}{'brackets out':>14}{'false':>7}"
)


def _row(name: str, part: list[Outcome]) -> str:
    status = Counter(o.status for o in part)
    located = [o for o in part if o.value_ml is not None]
    errors = np.abs([o.error_ml or 0.0 for o in located])
    holds = sum(bool(o.holds) for o in located)
    brackets = [o for o in part if o.value_ml is None and o.interval_ml is not None]
    out = sum(not o.holds for o in brackets)
    share = f"{holds}/{len(located)} {100 * holds / len(located):.0f}%" if located else ""
    size = f"{np.median(errors):>9.4f}{errors.max():>8.3f}" if located else " " * 17
    asked = status["asked"] + status["crash"]
    return (
        f"{name:<22}{len(part):>5}{status['located']:>9}{status['bracketed']:>9}"
        f"{status['none']:>6}{asked:>7}{size}{share:>11}"
        f"{f'{out}/{len(brackets)}' if brackets else '':>14}{sum(o.false for o in part):>7}"
    )


def _between(name: str, low: float, high: float) -> Callable[[Outcome], bool]:
    return lambda o: bool(low <= getattr(o, name) < high)


def _shows(name: str) -> Callable[[Outcome], bool]:
    return lambda o: name in o.picture


GROUPS: dict[str, Callable[[Outcome], bool]] = {
    "magnesium < 5 %": _between("magnesium", 0.0, 0.05),
    "magnesium 5-20 %": _between("magnesium", 0.05, 0.20),
    "magnesium 20-40 %": _between("magnesium", 0.20, 0.40),
    "magnesium > 40 %": _between("magnesium", 0.40, 2.0),
    "dye < 6 umol/L": _between("indicator_umol_l", 0.0, 6.0),
    "dye 6-12 umol/L": _between("indicator_umol_l", 6.0, 12.0),
    "dye 12-24 umol/L": _between("indicator_umol_l", 12.0, 24.0),
    "dye > 24 umol/L": _between("indicator_umol_l", 24.0, 1e3),
    "rows < 0.5 s late": lambda o: o.delivery != "pump" and o.late_s < 0.5,
    "rows 0.5-1.5 s late": lambda o: o.delivery != "pump" and 0.5 <= o.late_s < 1.5,
    "rows 1.5-2.5 s late": lambda o: o.delivery != "pump" and 1.5 <= o.late_s < 2.5,
    "rows > 2.5 s late": lambda o: o.delivery != "pump" and o.late_s >= 2.5,
    "drops": lambda o: o.delivery == "drops",
    "tap": lambda o: o.delivery == "tap",
    "pump": lambda o: o.delivery == "pump",
    "clock within 3 s": lambda o: abs(o.clock_s) <= 3.0,
    "clock apart": lambda o: abs(o.clock_s) > 3.0,
    "2-5 frames/s": _between("fps", 0.0, 6.0),
    "8-15 frames/s": _between("fps", 6.0, 20.0),
    "25-30 frames/s": _between("fps", 20.0, 99.0),
    "read to 0.01-0.02 mL": lambda o: o.delivery != "pump" and o.reading_ml < 0.03,
    "read to 0.05 mL": lambda o: o.delivery != "pump" and o.reading_ml == 0.05,
    "read to 0.1 mL": lambda o: o.delivery != "pump" and o.reading_ml == 0.1,
    **{name: _shows(name) for name in ("flask", "beaker", "from above", "swirled", "held camera")},
}
"""Groups of the draws that are good or hard."""


def targets(outcomes: list[Outcome]) -> list[str]:
    """What is wanted of a population, and what came of it."""
    by = {grade: [o for o in outcomes if o.grade == grade] for grade in GRADES}
    rows = []

    def share(name: str, part: list[Outcome], wanted: str, good: Callable[[Outcome], bool]) -> None:
        if part:
            met = sum(good(o) for o in part)
            rows.append(f"{name:<46}{100 * met / len(part):>6.1f} %   wanted {wanted}")

    share("good located", by["good"], ">= 97 %", lambda o: o.status == "located")
    answered = "hard answered (number or closed bracket)"
    share(answered, by["hard"], ">= 90 %", lambda o: o.value_ml is not None or o.is_closed)
    share("false", outcomes, "<= 1 %", lambda o: o.false)
    located = [o for o in outcomes if o.value_ml is not None and o.grade != "refuse"]
    share("intervals of numbers hold the truth", located, "93 to 97 %", lambda o: bool(o.holds))
    share("asked", outcomes, "< 3 %", lambda o: o.status in ("asked", "crash"))
    errors = [abs(o.error_ml or 0.0) for o in by["good"] if o.value_ml is not None]
    if errors:
        name = "median error of good ones"
        rows.append(f"{name:<46}{np.median(errors):>6.4f} mL  wanted <= 0.01 mL")
    return rows


def table(outcomes: list[Outcome]) -> str:
    """Answers, errors in mL and intervals by grade, and by group for good and hard ones."""
    rows = [_HEAD]
    for grade in GRADES:
        part = [o for o in outcomes if o.grade == grade]
        if part:
            rows.append(_row(f"ALL {grade}", part))
        # Brackets and refusals differ by what happened.
        if grade in ("bracket", "refuse"):
            events = dict.fromkeys(o.event for o in part)
            rows += [_row(f"  {name}", [o for o in part if o.event == name]) for name in events]
    fair = [o for o in outcomes if o.grade in ("good", "hard")]
    for name, belongs in GROUPS.items():
        part = [o for o in fair if belongs(o)]
        if part:
            rows.append(_row(name, part))
    return "\n".join([*rows, "", *targets(outcomes)])


def _write(text: str, command: str, level: str, held_back: bool) -> None:
    """Replace the section of this level in RESULTS.md, or add it."""
    what = {"colour": "colours", "film": "films", "both": "colours, a tenth of them films"}[level]
    title = f"## A population of titrations: {what}"
    seeds = "held back" if held_back else "tuning seeds"
    day = datetime.date.today().isoformat()
    about = (
        "Everything is drawn at once from one seed; grades follow from the truth alone "
        "(`tests/population/grading.py`). Groups hold the good and the hard ones."
    )
    body = f"{title}\n\n`{command}` ({day}, {seeds})\n\n{about}\n\n```text\n{text}\n```\n"
    old = _RESULTS.read_text(encoding="utf-8")
    found = re.compile(re.escape(title) + r"\n.*?(?=^## |\Z)", re.S | re.M)
    if found.search(old):
        new = found.sub(lambda _: body + "\n", old).rstrip("\n") + "\n"
    else:
        new = old.rstrip("\n") + "\n\n" + body
    _RESULTS.write_text(new, encoding="utf-8")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description="A population of titrations with known truth")
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--first", type=int, default=1, help="first seed; 5000 up: held back")
    parser.add_argument("--level", choices=("colour", "film", "both"), default="colour")
    parser.add_argument("--delivery", choices=("drops", "tap", "pump"), help="only such draws")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, help="tell one draw in words, and what came of it")
    parser.add_argument("--keep", type=Path, help="with --seed: folder for its record and film")
    parser.add_argument("--all", action="store_true", help="a line for every draw")
    parser.add_argument("--write", action="store_true", help="put the table into RESULTS.md")
    options = parser.parse_args()
    if options.seed is not None:
        if options.seed >= FIRST_HELD_BACK_SEED:
            parser.error("seeds from 5000 up are held back; nobody looks at one of them")
        print(told(options.seed, options.level, options.keep))
        print(line(outcome_of(options.seed, options.level)))
        return
    seeds: Sequence[int] = range(options.first, options.first + options.count)
    held_back = seeds[-1] >= FIRST_HELD_BACK_SEED
    if options.delivery is not None:
        seeds = [seed for seed in seeds if draw(seed).delivery == options.delivery]
    outcomes = []
    for outcome in outcomes_of(seeds, options.level, options.jobs):
        outcomes.append(outcome)
        if not held_back and (options.all or is_bad(outcome)):
            print(line(outcome), flush=True)
    text = table(outcomes)
    print(text)
    if options.write:
        more = "" if options.level == "colour" else f" --level {options.level}"
        more += "" if options.delivery is None else f" --delivery {options.delivery}"
        command = f"python -m tests.studies.population --count {options.count}"
        _write(text, f"{command} --first {options.first}{more}", options.level, held_back)


if __name__ == "__main__":
    main()
