"""Uses an installed program as a user does, command by command, and holds it against the truth.

`VENV/bin/python tests/smoke.py` from any folder; only the standard library and what the program
itself brings is needed. The first thing that is not as it should be ends it with exit code 1.
"""

from __future__ import annotations

import csv
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from http.cookiejar import CookieJar
from importlib.metadata import version
from pathlib import Path

SAMPLES = Path(__file__).resolve().parent.parent / "sample_media"
WITHOUT_END = {"deep-well", "rain-barrel"}
EXIT_CODE = {"located": 0, "none": 4}
COVERAGE = 3.0
LARGEST_UNCERTAINTY_ML = 0.05
LIBRARIES = ("numpy", "scipy", "scikit-image", "opencv-python", "matplotlib", "av", "uvicorn")
LONGEST_S = 900.0
"""Only against hanging: a busy machine may take minutes over a film."""
ENDPOINT = Path(sys.executable).parent / "endpoint"


def ensure(holds: bool, what: str) -> None:
    if not holds:
        sys.exit(f"smoke: FAILED: {what}")


def said(*arguments: object, code: int = 0) -> str:
    """Standard output of one command, which must end with `code` and without a traceback."""
    command = [str(ENDPOINT), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_S, check=False)
    told = f"endpoint {' '.join(command[1:])}: exit code {done.returncode}\n{done.stderr}"
    ensure(done.returncode == code and "Traceback" not in done.stderr, told)
    return done.stdout


def see_installed() -> None:
    import endpoint

    home = Path(endpoint.__file__)
    ensure(home.is_relative_to(sys.prefix), f"{home} is not what was installed")
    names = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    print(f"smoke: Python {sys.version.split()[0]}, {names}", flush=True)


def see_samples(folder: Path) -> None:
    records = sorted(SAMPLES.glob("*.toml"))
    ensure(len(records) == 7, f"{len(records)} sample records instead of 7")
    for record in records:
        expected = "none" if record.stem in WITHOUT_END else "located"
        out = folder / record.stem
        result = json.loads(
            said("locate", record, "--out", out, "--json", "-", code=EXIT_CODE[expected])
        )
        ensure(result["status"] == expected, f"{record.stem}: status {result['status']}")
        ensure((out / "report.html").stat().st_size > 20_000, f"{record.stem}: no report.html")
        if expected == "none":
            print(f"smoke: {record.stem}: no endpoint, as it should be", flush=True)
            continue
        truth_ml = json.loads(record.with_suffix(".truth.json").read_text())["equivalence_ml"]
        value_ml = result["equivalence_ml"]["value"]
        uncertainty_ml = result["equivalence_ml"]["standard_uncertainty"]
        told = f"{record.stem}: {value_ml:.3f} ± {uncertainty_ml:.3f} mL, truth {truth_ml:.3f} mL"
        ensure(0.0 < uncertainty_ml < LARGEST_UNCERTAINTY_ML, told)
        ensure(abs(value_ml - truth_ml) < COVERAGE * uncertainty_ml, told)
        print(f"smoke: {told}", flush=True)


def see_pages(folder: Path) -> None:
    """Report, PDF and page for a class out of kept results."""
    kept = folder / "mill-spring"
    pdf, page = folder / "mill-spring.pdf", folder / "mill-spring.html"
    said("report", kept, "--pdf", pdf, "--html", page)
    ensure(pdf.read_bytes().startswith(b"%PDF-") and pdf.stat().st_size > 20_000, "PDF is broken")
    ensure("Mill spring" in page.read_text(encoding="utf-8"), "the report has no label")
    said("replay", kept, "--out", folder / "class.html")
    ensure("Mill spring" in (folder / "class.html").read_text(encoding="utf-8"), "replay is empty")
    print("smoke: report, PDF, page for a class", flush=True)


def see_batch(folder: Path) -> None:
    listed = folder / "two.txt"
    names = ("chapel-fountain", "quarry-pond")
    listed.write_text("".join(f"{SAMPLES / name}.toml\n" for name in names), encoding="utf-8")
    said("batch", listed, "--out", folder / "tables", "--quiet")
    with open(folder / "tables" / "results.csv", newline="", encoding="utf-8") as file:
        statuses = [row["status"] for row in csv.DictReader(file)]
    ensure(statuses == ["located", "located"], f"batch of two: {statuses}")
    print("smoke: batch of two", flush=True)


def see_bench(folder: Path) -> None:
    """Start the bench with a film, open page and socket, stop it as a system does."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    journal = folder / "journal.sqlite"
    command = [ENDPOINT, "bench", "--port", port, "--journal", journal]
    command += ["--camera", SAMPLES / "mill-spring.toml"]
    errors = folder / "bench.err"
    with open(errors, "w", encoding="utf-8") as told:
        bench = subprocess.Popen(
            list(map(str, command)),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=told,
            text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
    try:
        assert bench.stdout is not None
        line = next((text for text in bench.stdout if "?token=" in text), "")
        ensure(bool(line), f"the bench did not start: {errors.read_text()}")
        see_page(line.split()[-1], port)
        bench.send_signal(signal.SIGTERM)
        code = bench.wait(LONGEST_S)
        clean = code in (0, -signal.SIGTERM) and "Traceback" not in errors.read_text()
        ensure(clean, f"the bench ended with {code}: {errors.read_text()}")
    finally:
        bench.kill()
    said("runs", "--journal", journal)
    print("smoke: bench opened, looked at and stopped", flush=True)


def see_page(address: str, port: int) -> None:
    from websockets.sync.client import connect
    from websockets.typing import Origin

    home = f"http://127.0.0.1:{port}/"
    jar = CookieJar()
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(jar))
    with browser.open(address, timeout=LONGEST_S) as answer:
        ensure(b"<html" in answer.read(), "the bench sends no page")
    try:
        urllib.request.urlopen(home, timeout=LONGEST_S).close()
        ensure(False, "a stranger is let in")
    except urllib.error.HTTPError as error:
        ensure(error.code == 403, f"a stranger gets {error.code}")
    cookies = "; ".join(f"{cookie.name}={cookie.value}" for cookie in jar)
    with connect(
        f"ws://127.0.0.1:{port}/bench",
        origin=Origin(home.rstrip("/")),
        additional_headers={"Cookie": cookies},
    ) as line:
        ensure(bool(json.loads(line.recv(timeout=LONGEST_S))), "the socket says nothing")


def see_telephone() -> None:
    """What the telephone's page stands on: a certificate, and a code of the address."""
    import io

    import segno

    from endpoint.bench.web.certificate import new_certificate

    made = new_certificate(("192.0.2.7",))
    ensure(len(made.fingerprint) == 95, f"fingerprint {made.fingerprint}")
    code = io.StringIO()
    segno.make("https://192.0.2.7:8766/?token=x", error="m", micro=False).terminal(
        code, compact=True
    )
    ensure(code.getvalue().count("\n") > 10, "the code for the terminal is empty")
    print("smoke: certificate and code for a telephone", flush=True)


def main() -> None:
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["XDG_DATA_HOME"] = str(folder / "data")
        see_installed()
        see_samples(folder)
        see_pages(folder)
        see_batch(folder)
        see_bench(folder)
        see_telephone()
    print(f"smoke: all as it should be, {time.monotonic() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
