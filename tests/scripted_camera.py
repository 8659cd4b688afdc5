"""A camera of the browser that films what the test says, when the test says it.

A page asks for a camera and gets the picture of a canvas. It shows part of a film at the pace of
the film, or as many times faster as the clock of the bench runs, and the last pictures of that part
in turn until the test plays another one: however slow the machine is, nothing happens in the flask
before it shall.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence

from playwright.sync_api import Page

from tests.waiting import PATIENCE_S

_CAMERA = """
(() => {
  const canvas = document.createElement("canvas"), pictures = [];
  let first = 0, last = 0, held = 1, since = 0, rate = 10, shown = 0;
  const gone = () => Math.floor((performance.now() - since) * rate / 1000);
  const draw = () => {
    if (!pictures.length) return;
    shown = Math.min(last, first + gone());
    const over = shown === last ? Math.max(first + gone() - last, 0) : 0;
    const picture = pictures[shown - over % held];
    [canvas.width, canvas.height] = [picture.width, picture.height];
    canvas.getContext("2d").drawImage(picture, 0, 0);
  };
  window.scriptedCamera = {
    at: () => shown,
    play(from, to, hold) {
      [first, last, held, since] = [from, to, hold, performance.now()];
      draw();
    },
    async load(coded, perSecond) {
      rate = perSecond;
      for (const text of coded) {
        const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
        pictures.push(await createImageBitmap(new Blob([bytes], { type: "image/jpeg" })));
      }
      draw();
      setInterval(draw, 1000 / rate);
    },
  };
  navigator.mediaDevices.getUserMedia = async () => { draw(); return canvas.captureStream(rate); };
})()
"""


class ScriptedCamera:
    """The camera of one page; make it before the page goes anywhere."""

    def __init__(
        self, page: Page, coded: Sequence[bytes], rate: float, *, speed: float = 1.0
    ) -> None:
        self._page, self._coded, self._rate, self._speed = page, coded, rate, speed
        page.add_init_script(_CAMERA)

    def load(self) -> None:
        """Give the page its film, once it has loaded; the first second is shown in turn."""
        texts = [base64.b64encode(data).decode() for data in self._coded]
        self._page.evaluate(
            "([coded, rate]) => scriptedCamera.load(coded, rate)",
            [texts, self._speed * self._rate],
        )
        self.play(0.0, 1.0)

    def _number(self, time_s: float) -> int:
        return max(0, min(round(time_s * self._rate), len(self._coded) - 1))

    def play(self, from_s: float, to_s: float) -> None:
        """Show a part of the film, then its last second in turn."""
        self._page.evaluate(f"scriptedCamera.play({self._part(from_s, to_s)})")

    def play_on_click(self, selector: str, from_s: float, to_s: float) -> None:
        """Show a part of the film as soon as somebody works a button."""
        self._page.evaluate(
            f"s => document.querySelector(s).addEventListener('click', () =>"
            f" scriptedCamera.play({self._part(from_s, to_s)}), {{ capture: true }})",
            selector,
        )

    def _part(self, from_s: float, to_s: float) -> str:
        first, last = self._number(from_s), self._number(to_s)
        return f"{first}, {last}, {max(1, min(round(self._rate), last - first))}"

    def wait_for(self, time_s: float) -> None:
        """Return when the film has come to a time."""
        # The page itself looks now and then: asking it costs more than all it shows.
        self._page.wait_for_function(
            "number => scriptedCamera.at() >= number",
            arg=self._number(time_s),
            polling=50,
            timeout=1e3 * PATIENCE_S,
        )
