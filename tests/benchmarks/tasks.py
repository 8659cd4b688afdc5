"""What is timed, each in a process of its own: python -m tests.benchmarks.tasks TASK RECORD."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any


def peak_mb() -> float:
    """High-water mark of this process; `getrusage` can hold the size of its parent."""
    try:
        with open("/proc/self/status", encoding="ascii") as status:
            row = next(line for line in status if line.startswith("VmHWM"))
        return int(row.split()[1]) / 1024
    except OSError:
        import resource

        size = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return size / (1 << 20 if sys.platform == "darwin" else 1 << 10)


def _clocked(begin: tuple[float, float]) -> dict[str, Any]:
    return {
        "wall_s": time.perf_counter() - begin[0],
        "cpu_s": time.process_time() - begin[1],
        "peak_mb": peak_mb(),
    }


def opencv(*records: str) -> dict[str, Any]:
    """Read every picture of the films with OpenCV."""
    import cv2

    begin = time.perf_counter(), time.process_time()
    for record in records:
        reader = cv2.VideoCapture(str(Path(record).with_suffix(".mp4")))
        while reader.read()[0]:
            pass
    return _clocked(begin)


def _analysed(records: tuple[str, ...], every_frame: bool) -> dict[str, Any]:
    from endpoint.analysis.pipeline import analyse
    from endpoint.analysis.prepare import prepare
    from endpoint.record.titration import read_record

    begin = time.perf_counter(), time.process_time()
    for record in records:
        job, source = prepare(read_record(Path(record)))
        result = analyse(source, job, every_frame=every_frame)
    there = result.equivalence
    return {
        **_clocked(begin),
        "status": result.status,
        "value_ml": there.value_ml if there else None,
        "uncertainty_ml": there.standard_uncertainty_ml if there else None,
    }


def fast(*records: str) -> dict[str, Any]:
    """Whole analysis, only the times that matter."""
    return _analysed(records, every_frame=False)


def every(*records: str) -> dict[str, Any]:
    """Whole analysis with every frame."""
    return _analysed(records, every_frame=True)


def located(record: str) -> dict[str, Any]:
    """The command on a film, with its start and its document."""
    from resource import RUSAGE_CHILDREN, getrusage

    code = "from endpoint.cli import main; main()"
    command = [sys.executable, "-c", code, "locate", record, "--json", "-", "--quiet"]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode in (0, 3, 4), done.stderr
    used = getrusage(RUSAGE_CHILDREN)
    return {"cpu_s": used.ru_utime + used.ru_stime}


def live(record: str) -> dict[str, Any]:
    """Colour of frames that are in memory already, as a camera gives them."""
    from endpoint.analysis.prepare import prepare
    from endpoint.analysis.viewing import find_region
    from endpoint.colour.follow import follow
    from endpoint.record.titration import read_record
    from endpoint.recording.frame import ArrayFrame

    job, source = prepare(read_record(Path(record)))
    region, _ = find_region(source, job)  # type: ignore[arg-type]
    frames = [ArrayFrame(f.index, f.time_s, f.rgb8()) for f, _ in zip(
        source.frames(), range(90), strict=False)]  # type: ignore[union-attr]  # fmt: skip
    begin = time.process_time()
    for _ in follow(frames, region):
        pass
    return {"cpu_ms": 1000 * (time.process_time() - begin) / len(frames)}


def fit(record: str) -> dict[str, Any]:
    """From the curve to the verdict."""
    from endpoint.analysis.pipeline import analyse
    from endpoint.analysis.prepare import prepare
    from endpoint.equivalence.fit import fit_transition
    from endpoint.record.titration import read_record

    job, source = prepare(read_record(Path(record)))
    curve = analyse(source, job).curve
    assert curve is not None
    times = []
    for _ in range(5):
        begin = time.process_time()
        fit_transition(curve, job.titrant_mol_l.value, job.priors)
        times.append(time.process_time() - begin)
    return {"cpu_ms": 1000 * statistics.median(times)}


def start() -> dict[str, Any]:
    """`endpoint --help` against an interpreter that does nothing, in turn."""

    def seconds(*code: str) -> float:
        begin = time.perf_counter()
        subprocess.run([sys.executable, *code], capture_output=True, check=True)
        return time.perf_counter() - begin

    bare, helped = [], []
    for _ in range(5):
        bare.append(seconds("-c", "pass"))
        helped.append(seconds("-m", "endpoint.cli", "--help"))
    return {"above_ms": 1000 * (statistics.median(helped) - statistics.median(bare))}


if __name__ == "__main__":
    TASKS = {task.__name__: task for task in (opencv, fast, every, located, live, fit, start)}
    print(json.dumps(TASKS[sys.argv[1]](*sys.argv[2:])))
