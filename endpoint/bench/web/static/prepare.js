// What the trade does before the first drop: a list that may be ticked, closed and is remembered.
import { el } from "/static/shapes.js";

const STEPS = [
  "Rinse the burette with a little of the titrant, and let it run out.",
  "Fill it above the zero line; take the funnel out.",
  "Let titrant run until tap and tip hold no air bubble; wipe the drop off the tip.",
  "Read the meniscus with your eye at its level, and type it as the start reading.",
  "Rinse the pipette with the sample. Let it run out, wait a moment, and touch the last drop off on the wall.",
  "Add the buffer first, then the indicator.",
  "Of indicator ground 1:100 with salt take the tip of a spatula: the liquid stays clear.",
  "Stand the flask on white, start the stirrer, and let nothing cast a shadow on it.",
];
const OPEN = "endpoint-prepare-open";

function recall(key) {
  try { return localStorage.getItem(key); } catch { return null; }
}

function remember(key, value) {
  try { localStorage.setItem(key, value); } catch { /* A browser may forbid it: then the list stays open. */ }
}

export function startPreparation() {
  const box = document.getElementById("prepare");
  document.getElementById("prepare-list").replaceChildren(...STEPS.map((words, k) => el("li", {},
    el("label", {}, el("input", { type: "checkbox", id: `prepare-${k}` }), ` ${words}`))));
  box.open = recall(OPEN) !== "no";
  box.addEventListener("toggle", () => remember(OPEN, box.open ? "yes" : "no"));
}

// A new flask is prepared anew.
export function clearPreparation() {
  for (const tick of document.querySelectorAll("#prepare-list input")) tick.checked = false;
}
