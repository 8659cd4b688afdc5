"""From frame to guidance, in milliseconds, and how memory stays over hours; run on request.

    python -m tests.studies.bench_latency                 # 720p, 15 frames a second, one minute
    python -m tests.studies.bench_latency --slow 0.15     # every picture takes 150 ms more
    python -m tests.studies.bench_latency --soak-s 7200   # two hours, memory every minute

The bench runs in a process of its own, as at work. A client on the same computer sends JPEG
pictures through the socket as the page does, with two in flight, and enters a reading every ten
seconds. Latency is the time from the sending of a picture to the message that holds the colour
measured in it and the guidance in force.
"""

from __future__ import annotations

import argparse
import http.client
import json
import multiprocessing
import struct
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from websockets.sync.client import ClientConnection, connect
from websockets.typing import Origin

from tests.bench_scene import ADDITIONS, FORM_VALUES, frames

SIZE = (1280, 720)


def pictures() -> list[bytes]:
    """One JPEG of 720p for every addition of the drawn titration, with grain."""
    rng = np.random.default_rng(1)
    coded = []
    step = max(1, len(frames()) // len(ADDITIONS))
    for frame in frames()[::step]:
        big = cv2.resize(frame.rgb8(), SIZE, interpolation=cv2.INTER_LINEAR)
        noisy = np.clip(big + rng.normal(0.0, 3.0, big.shape), 0, 255).astype(np.uint8)
        good, data = cv2.imencode(".jpg", noisy[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
        assert good
        coded.append(data.tobytes())
    return coded


def serve(pipe: Any, slow_s: float) -> None:
    """Child process: the bench, with the address sent through the pipe."""
    from endpoint.bench.web import hub as hubs
    from endpoint.recording.frame import ArrayFrame, Box
    from endpoint.scene.region import locate
    from tests.bench_server import serving

    decode = hubs.decode  # type: ignore[attr-defined]

    def slowed(picture: Any) -> Any:
        time.sleep(slow_s)
        return decode(picture)

    hubs.decode = slowed  # type: ignore[attr-defined]
    first = [
        ArrayFrame(f.index, f.time_s, cv2.resize(f.rgb8(), SIZE, interpolation=cv2.INTER_LINEAR))
        for f in frames()[:4]
    ]
    scale = 8
    liquid = Box(60 * scale, 50 * 6, 110 * scale, 90 * 6)
    white = Box(8 * scale, 60 * 6, 40 * scale, 92 * 6)
    with serving() as bench:
        bench.session.view.look_at(locate(first, liquid, white))
        pipe.send((bench.port, bench.keys.new_operator_token()))
        pipe.recv()


def log_in(port: int, token: str) -> str:
    line = http.client.HTTPConnection("127.0.0.1", port)
    line.request("GET", f"/?token={token}")
    answer = line.getresponse()
    answer.read()
    return str(answer.headers["set-cookie"]).split(";")[0]


def memory_mb(pid: int) -> float:
    for row in Path(f"/proc/{pid}/status").read_text().splitlines():
        if row.startswith("VmRSS"):
            return int(row.split()[1]) / 1024
    return float("nan")


class Client:
    """Sends pictures at a rate with at most two in flight, and notes when each was answered."""

    def __init__(self, page: ClientConnection) -> None:
        self.page = page
        self.sent: dict[int, float] = {}
        self.seen: list[float] = []
        self.latency_ms: list[float] = []
        self.state_bytes = 0

    def hear(self, seconds: float) -> None:
        """Take what comes within a time; a state after an answer closes the measurement."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            try:
                text = self.page.recv(timeout=left)
            except TimeoutError:
                return
            message = json.loads(text)
            if message["say"] == "seen":
                began = self.sent.pop(message["number"], None)
                if message["used"] and began is not None:
                    self.seen.append(began)
            elif message["say"] == "state" and self.seen:
                now = time.monotonic()
                self.state_bytes = len(text)
                self.latency_ms += [1e3 * (now - began) for began in self.seen]
                self.seen.clear()

    def play(self, coded: list[bytes], seconds: float, rate: float, pid: int) -> None:
        """Send the titration; the reading is entered when its picture comes."""
        began, number, entered, told = time.monotonic(), 0, 0, 0.0
        due = began
        while (now := time.monotonic() - began) < seconds:
            step = int(now // 4.0)
            if step > entered and entered + 1 < len(ADDITIONS):
                entered += 1
                self.page.send(json.dumps({"do": "reading", "ml": ADDITIONS[entered]}))
            if len(self.sent) < 2:
                number += 1
                data = coded[min(step, len(coded) - 1)]
                self.sent[number] = time.monotonic()
                self.page.send(struct.pack("<4sIHH", b"EPF1", number, 0, 0) + data)
            # As a page does: what was missed is not sent later, or the bench would cut it off.
            due = max(due + 1.0 / rate, time.monotonic())
            self.hear(max(due - time.monotonic(), 0.002))
            if now - told >= 60.0:
                told = now
                print(f"{now:7.0f} s  {memory_mb(pid):7.1f} MB  {number} pictures", flush=True)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate", type=float, default=15.0)
    parser.add_argument("--slow", type=float, default=0.0, help="seconds added to every picture")
    parser.add_argument("--soak-s", type=float, default=0.0)
    options = parser.parse_args()
    coded = pictures()
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serve, args=(there, options.slow))
    process.start()
    try:
        port, token = here.recv()
        cookie = log_in(port, token)
        host = f"127.0.0.1:{port}"
        with connect(
            f"ws://{host}/bench",
            origin=Origin(f"http://{host}"),
            additional_headers={"Cookie": cookie},
            max_size=None,
            proxy=None,
        ) as page:
            client = Client(page)
            client.hear(0.5)
            page.send(json.dumps({"do": "begin", "form": FORM_VALUES}))
            assert process.pid is not None
            client.play(coded, options.soak_s or options.seconds, options.rate, process.pid)
            latency = np.array(client.latency_ms)
            print(
                f"{latency.size} pictures of {SIZE[0]} x {SIZE[1]}: median "
                f"{np.median(latency):.0f} ms, p95 {np.percentile(latency, 95):.0f} ms, worst "
                f"{latency.max():.0f} ms; state of {client.state_bytes} bytes; "
                f"{memory_mb(process.pid):.0f} MB"
            )
    finally:
        here.send(None)
        process.join(20)


if __name__ == "__main__":
    main()
