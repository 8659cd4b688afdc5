"""Damaged inputs through the real commands: no crash, no hang, no flood. A study to run on request.

    python -m tests.studies.fuzz_study --count 10000 --jobs 2 --seed 1
    python -m tests.studies.fuzz_study --count 200 --kinds film still --minutes 5
    python -m tests.studies.fuzz_study --case 1234

Case N of a seed is always the same: a sound input of `fuzz_corpus`, one file of it or several
damaged by `mutations`. Each runs `endpoint` in a process of its own, forked from a worker that has
loaded the program, so that a crash of a decoder, an endless loop and the peak of memory are seen
as they are.
A case passes if

- the exit code is 0, 3 or 4 with valid JSON on standard output, without NaN, and nothing on
  standard error; or it is 2 with one sentence and one remedy on standard error and nothing else;
- it took less than 20 s of processor time (60 s by the clock) and less than 1 GB.

What was run is kept in the cache and not run again; `--again` repeats the failures. The inputs of
failures are kept in folders `failed` of the cache, each with its command and what it printed.
"""

from __future__ import annotations

import argparse
import faulthandler
import importlib
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path

from tests.places import ROOT
from tests.studies.fuzz_corpus import Sound, read_corpus, write_corpus
from tests.studies.mutations import mutate

KINDS = {
    "film": 16,
    "still": 14,
    "log": 12,
    "table": 16,
    "record": 16,
    "certificate": 10,
    "sheet": 10,
    "titres": 6,
}
"""How often a kind is drawn, per cent."""
PROCESSOR_S = 20
CLOCK_S = 60
MEMORY_MB = 1000
_ADDRESSES = 4 << 30
"""Limit of the address space: a flood ends as a lack of memory, not of the machine."""
_OUTPUT_BYTES = 200 << 20
_CODES = {0: "located", 3: "bracketed", 4: "none"}
_NO_MEMORY = "needs more memory than there is"
_FOREIGN = r"\b(\w+Error|Errno|is None|nan)\b"
_CHUNK = 10


@dataclass(frozen=True)
class Ran:
    """What a command left behind."""

    code: int
    """Exit code, or minus the number of the signal that ended it."""
    stdout: str
    stderr: str
    processor_s: float
    peak_mb: int


@dataclass(frozen=True)
class Outcome:
    """One case and what is wrong with it, if anything."""

    case: int
    kind: str
    name: str
    target: str
    change: str
    code: int
    status: str
    processor_s: float
    peak_mb: int
    fault: str
    """Empty for a case that passed."""


def case_of(
    seed: int, case: int, corpus: Sequence[Sound], kinds: Sequence[str] = tuple(KINDS)
) -> tuple[Sound, dict[str, bytes], str]:
    """Return the sound input of a case, its damaged files, and what was done to the first."""
    rng = random.Random(f"{seed}/{case}")
    kind = rng.choices(kinds, [KINDS[kind] for kind in kinds])[0]
    sound = rng.choice([sound for sound in corpus if sound.kind == kind])
    targets = [rng.choice(sound.targets)]
    if rng.random() < 0.3:
        # One bad picture of a series is passed over; several are not.
        more = rng.sample(sound.targets, rng.randint(1, len(sound.targets)))
        targets += [name for name in dict.fromkeys(more) if name not in targets]
    done = {name: mutate(name, sound.files[name], rng) for name in targets}
    return sound, {name: data for name, (data, _) in done.items()}, done[targets[0]][1]


# --- running ----------------------------------------------------------------------------------


def run_apart(work: Callable[[], int], folder: Path) -> Ran:
    """Run some work in a forked process within a folder, with its limits, and wait for it.

    Standard output and error are caught at the level of the system, so that what a library of C
    prints is seen too.
    """
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if child == 0:
            _be_the_child(work, folder, out.fileno(), err.fileno())
        _, status, used = os.wait4(child, 0)
        texts = []
        for stream in (out, err):
            stream.seek(0)
            texts.append(stream.read().decode("utf-8", "replace"))
    return Ran(
        os.waitstatus_to_exitcode(status),
        texts[0],
        texts[1],
        used.ru_utime + used.ru_stime,
        used.ru_maxrss // 1024,
    )


def _be_the_child(work: Callable[[], int], folder: Path, out: int, err: int) -> None:
    """Never returns."""
    code = 70
    try:
        os.chdir(folder)
        os.dup2(out, 1)
        os.dup2(err, 2)
        sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), "utf-8")
        sys.stderr = io.TextIOWrapper(io.FileIO(2, "w", closefd=False), "utf-8", "backslashreplace")
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (_ADDRESSES, _ADDRESSES))
        resource.setrlimit(resource.RLIMIT_FSIZE, (_OUTPUT_BYTES, _OUTPUT_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (PROCESSOR_S, PROCESSOR_S + 1))
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(CLOCK_S)
        faulthandler.enable(sys.stderr)
        # The place of an endless loop; it stands before the signal that ends it.
        faulthandler.register(signal.SIGXCPU, sys.stderr, chain=True)
        code = work()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
    finally:
        try:
            sys.stdout.flush()
            sys.stderr.flush()
        except BaseException:
            code = 71
        os._exit(code)


def _command(arguments: Sequence[str]) -> int:
    from endpoint.cli import main

    os.environ["ENDPOINT_DEBUG"] = "1"  # a fault is then known by its traceback
    main.main(args=list(arguments), prog_name="endpoint")
    return 0


def write_case(sound: Sound, damaged: Mapping[str, bytes], folder: Path) -> None:
    """Write the files of a case, some of them damaged."""
    for name, content in {**sound.files, **damaged}.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


# --- judging ----------------------------------------------------------------------------------


def fault_of(ran: Ran, arguments: Sequence[str], given: bytes = b"") -> str:
    """Say in a few words what is wrong with a run; nothing for one that passed.

    `given` is the damaged file: a refusal may speak of a nan that stands there.
    """
    if ran.code in (-signal.SIGXCPU, -signal.SIGKILL):
        return f"hang: {PROCESSOR_S} s of processor time{_place(ran.stderr)}"
    if ran.code == -signal.SIGALRM:
        return f"hang: {CLOCK_S} s by the clock"
    if ran.code < 0:
        return f"crash: {signal.Signals(-ran.code).name}{_place(ran.stderr)}"
    if "Traceback (most recent call last)" in ran.stderr:
        return f"traceback: {_last_line(ran.stderr)}{_place(ran.stderr)}"
    if ran.peak_mb > MEMORY_MB or _NO_MEMORY in ran.stderr:
        return f"memory: {ran.peak_mb} MB"
    if ran.code == 2:
        return _fault_of_refusal(ran, given)
    if ran.code not in _CODES:
        return f"exit code {ran.code}"
    if ran.stderr.strip():
        return f"noise on standard error: {_last_line(ran.stderr)}"
    return _fault_of_json(ran, arguments)


def _fault_of_refusal(ran: Ran, given: bytes) -> str:
    if ran.stdout:
        return "refusal: text on standard output"
    lines = ran.stderr.splitlines()
    if len(lines) != 2 or not lines[0].startswith("endpoint: "):
        return f"refusal: {len(lines)} lines: {_last_line(ran.stderr)}"
    for line in lines:
        if not line.isprintable() or not line.rstrip().endswith((".", "?")):
            return f"refusal: no plain sentence: {line[:120]}"
        if len(line) > 1000:
            return f"refusal: a sentence of {len(line)} signs"
        own = re.sub(r'"[^"]*"', "", line)  # what the file holds may be quoted
        foreign = _FOREIGN.replace("|nan", "") if b"nan" in given.lower() else _FOREIGN
        if len(line.split()) < 2 or re.search(foreign, own):
            return f"refusal: not for people: {line[:120]}"
    return ""


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} in JSON")


def _fault_of_json(ran: Ran, arguments: Sequence[str]) -> str:
    try:
        data = json.loads(ran.stdout, parse_constant=_refuse_constant)
    except ValueError as error:
        return f"JSON: {error}"
    if arguments[0] != "locate":
        return "" if ran.code == 0 else f"exit code {ran.code} of {arguments[0]}"
    status = data.get("status")
    if status != _CODES[ran.code]:
        return f"JSON: status {status} with exit code {ran.code}"
    volumes = [data.get(key) for key in ("equivalence_ml", "midpoint_ml", "last_red_ml")]
    if status == "none" and (any(volumes) or data.get("hardness")):
        return "JSON: a number without an end point"
    if status != "located" and not data.get("reasons"):
        return f"JSON: {status} without a reason"
    if status == "located":
        found = volumes[0]
        low, high = found["interval95"]
        if not 0 <= low <= found["value"] <= high or found["standard_uncertainty"] <= 0:
            return "JSON: a value outside its interval"
    return ""


def _last_line(text: str) -> str:
    """Last line that says what went wrong: frames of a traceback are indented."""
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith(" ")]
    return lines[-1][:160] if lines else ""


def _place(text: str) -> str:
    """Innermost place within this project that a traceback names."""
    found = re.findall(r'File "[^"]*?((?:endpoint|calibration)/[\w/]+\.py)", line (\d+)', text)
    if not found:
        return ""
    # faulthandler prints the innermost call first, Python last.
    file, line = found[0] if "most recent call first" in text else found[-1]
    return f" at {file}:{line}"


# --- the study --------------------------------------------------------------------------------

_corpus: list[Sound] = []


def start_worker(corpus: Path, kinds: Sequence[str]) -> None:
    """Load the corpus and every module that the commands load, so that a fork has them."""
    _corpus[:] = read_corpus(corpus)
    loaded: set[str] = set()
    # What is loaded is found in forked processes: a worker must start no threads of its own.
    for kind in kinds:
        sound = next(s for s in _corpus if s.kind == kind)
        loaded |= _modules_of(sound)
    for name in sorted(loaded):
        if name.split(".")[0] not in ("__main__", "__mp_main__"):
            try:
                importlib.import_module(name)
            except Exception:
                continue


def _modules_of(sound: Sound) -> set[str]:
    def work() -> int:
        with open(os.devnull, "w") as nothing:
            sys.stdout, kept = nothing, sys.stdout
            try:
                _command(sound.arguments)
            except SystemExit:
                pass
            finally:
                sys.stdout = kept
        print("\n".join(sys.modules))
        return 0

    with tempfile.TemporaryDirectory() as place:
        write_case(sound, {}, Path(place))
        return set(run_apart(work, Path(place)).stdout.split())


def run_case(
    seed: int, case: int, kinds: Sequence[str], cache: Path, *, keep: bool = False
) -> Outcome:
    """Run one case in this worker; its files are kept if it fails."""
    sound, damaged, change = case_of(seed, case, _corpus, kinds)
    with tempfile.TemporaryDirectory() as place:
        write_case(sound, damaged, Path(place))
        ran = run_apart(lambda: _command(sound.arguments), Path(place))
        fault = fault_of(ran, sound.arguments, b"".join(damaged.values()))
        if fault or keep:
            _keep(
                cache / f"failed{_suffix(kinds)}" / f"{seed}-{case}", Path(place), sound, ran, fault
            )
    return Outcome(
        case=case,
        kind=sound.kind,
        name=sound.name,
        target=next(iter(damaged)) + (f" and {len(damaged) - 1} more" if len(damaged) > 1 else ""),
        change=change[:300],
        code=ran.code,
        status="refused" if ran.code == 2 else _CODES.get(ran.code, "-"),
        processor_s=round(ran.processor_s, 3),
        peak_mb=ran.peak_mb,
        fault=fault,
    )


def _keep(folder: Path, place: Path, sound: Sound, ran: Ran, fault: str) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(place, folder / "files", symlinks=True)
    told = {"arguments": sound.arguments, "fault": fault, "code": ran.code, "stderr": ran.stderr}
    text = json.dumps({**told, "stdout": ran.stdout[:20_000]}, indent=1)
    (folder / "case.json").write_text(text, encoding="utf-8")


def _run_chunk(seed: int, cases: Sequence[int], kinds: Sequence[str], cache: Path) -> list[Outcome]:
    return [run_case(seed, case, kinds, cache) for case in cases]


def _suffix(kinds: Sequence[str]) -> str:
    """Part of file names for a study of some kinds only: its cases are others."""
    return "" if set(kinds) == set(KINDS) else "-" + "-".join(sorted(kinds))


def outcomes_in(journal: Path) -> dict[int, Outcome]:
    """Outcomes that a study has written, the last one of each case."""
    found: dict[int, Outcome] = {}
    if journal.exists():
        for line in journal.read_text(encoding="utf-8").splitlines():
            # A run that was broken off may have left half a line.
            if line.startswith("{") and line.endswith("}"):
                outcome = Outcome(**json.loads(line))
                found[outcome.case] = outcome
    return found


def study(
    seed: int,
    count: int,
    *,
    cache: Path,
    jobs: int = 1,
    kinds: Sequence[str] = tuple(KINDS),
    minutes: float = float("inf"),
    again: bool = False,
    told: Callable[[str], None] = lambda text: None,
) -> list[Outcome]:
    """Run the cases 0 to `count` that were not run before, and return the outcomes of all."""
    # Set before the workers load numpy: a fork must find no threads.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    cache.mkdir(parents=True, exist_ok=True)
    context = get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=context) as maker:
        corpus = cache / f"corpus{_suffix(kinds)}"
        maker.submit(write_corpus, corpus, kinds).result()
    journal = cache / f"seed-{seed}{_suffix(kinds)}.jsonl"
    done = outcomes_in(journal)
    open_cases = [n for n in range(count) if n not in done or (again and done[n].fault)]
    begin, ran = time.monotonic(), 0
    with (
        journal.open("a", encoding="utf-8") as book,
        ProcessPoolExecutor(
            jobs, mp_context=context, initializer=start_worker, initargs=(corpus, kinds)
        ) as pool,
    ):
        chunks = iter(range(0, len(open_cases), _CHUNK))
        running: set[Future[list[Outcome]]] = set()
        while True:
            while len(running) < 2 * jobs and time.monotonic() - begin < 60 * minutes:
                at = next(chunks, None)
                if at is None:
                    break
                part = open_cases[at : at + _CHUNK]
                running.add(pool.submit(_run_chunk, seed, part, kinds, cache))
            if not running:
                break
            ready, running = wait(running, return_when=FIRST_COMPLETED)
            for future in ready:
                for outcome in future.result():
                    done[outcome.case] = outcome
                    book.write(json.dumps(asdict(outcome)) + "\n")
                    ran += 1
                    if outcome.fault:
                        told(f"\ncase {outcome.case}, {outcome.name}: {outcome.fault}\n")
                book.flush()
            spent = time.monotonic() - begin
            left = spent / ran * (len(open_cases) - ran)
            told(
                f"\r{ran} of {len(open_cases)} cases, {ran / spent:.1f} a second, "
                f"{left / 60:.0f} min left "
            )
    return [done[n] for n in sorted(done) if n < count]


def table(outcomes: Iterable[Outcome]) -> str:
    """What came of the cases of each kind, and each fault with how often it was met."""
    outcomes = list(outcomes)
    head = f"{'kind':12}{'cases':>7}{'located':>9}{'bracketed':>11}{'none':>7}{'refused':>9}"
    lines = [f"{head}{'faults':>8}{'CPU/s':>8}{'MB':>6}"]
    for kind in [*KINDS, "ALL"]:
        part = [o for o in outcomes if kind in (o.kind, "ALL")]
        if not part:
            continue
        states = Counter(o.status for o in part)
        counts = [states[s] for s in ("located", "bracketed", "none", "refused")]
        lines.append(
            f"{kind:12}{len(part):7}{counts[0]:9}{counts[1]:11}{counts[2]:7}{counts[3]:9}"
            f"{sum(bool(o.fault) for o in part):8}{max(o.processor_s for o in part):8.1f}"
            f"{max(o.peak_mb for o in part):6}"
        )
    faults: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        if outcome.fault:
            faults.setdefault(re.sub(r"\d{3,}|0x\w+", "N", outcome.fault)[:100], []).append(outcome)
    for _, part in sorted(faults.items(), key=lambda item: -len(item[1])):
        cases = ", ".join(str(o.case) for o in part[:4])
        lines.append(f"{len(part):5} x {part[0].fault}  [cases {cases}]")
    lines.append("CPU/s and MB: the largest of the kind. Exit code 0 of other commands: located.")
    return "\n".join(lines)


def _one(seed: int, case: int, kinds: Sequence[str], cache: Path) -> None:
    corpus = cache / f"corpus{_suffix(kinds)}"
    write_corpus(corpus, kinds)
    start_worker(corpus, kinds)
    outcome = run_case(seed, case, kinds, cache, keep=True)
    folder = cache / f"failed{_suffix(kinds)}" / f"{seed}-{case}"
    print(json.dumps(asdict(outcome), indent=1))
    print((folder / "case.json").read_text(encoding="utf-8")[:6000])
    print(f"Files in {folder}")


def main() -> None:
    """Read the options, run, print the table; exit code 1 if a case failed."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--minutes", type=float, default=float("inf"), help="Stop after these.")
    parser.add_argument("--again", action="store_true", help="Run cases that failed again.")
    parser.add_argument("--case", type=int, help="Run this one, tell everything, keep its files.")
    parser.add_argument("--cache", type=Path, default=ROOT / ".out" / "fuzz")
    options = parser.parse_args()
    cache: Path = options.cache.resolve()
    if options.case is not None:
        _one(options.seed, options.case, options.kinds, cache)
        return
    outcomes = study(
        options.seed,
        options.count,
        cache=cache,
        jobs=options.jobs,
        kinds=options.kinds,
        minutes=options.minutes,
        again=options.again,
        told=lambda text: print(text, end="", file=sys.stderr, flush=True),
    )
    print("\n" + table(outcomes))
    sys.exit(any(o.fault for o in outcomes))


if __name__ == "__main__":
    main()
