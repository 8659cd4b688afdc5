// What a person enters of the volume: readings, refills, corrections, and the switches of a pump.
import { el } from "/static/shapes.js";

const $ = (id) => document.getElementById(id);

function text(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

export function showEntries(state, operator) {
  const volumes = state.volumes;
  const pump = volumes && volumes.kind === "pump";
  const seen = volumes && (volumes.kind === "meniscus" || volumes.kind === "drops");
  const typed = volumes && !pump && !seen;
  const titrating = state.phase === "titrating";
  $("reading-form").hidden = !typed || !operator;
  $("end-form").hidden = !seen || !operator;
  $("seen-words").hidden = !seen;
  if (seen) text($("seen-words"), volumes.text);
  $("pump").hidden = !pump || !operator;
  $("readings-box").hidden = !typed || !operator;
  $("refill-box").hidden = !typed || !operator;
  $("corrections").hidden = !operator || !volumes || Boolean(pump);
  // What can be corrected stands in the view that is shown.
  const place = $(titrating ? "view-titrating" : "corrections");
  if ($("readings-box").parentElement !== place) place.append($("readings-box"));
  const row = titrating ? $("pump") : $("result-undo").parentElement;
  if ($("end-form").nextElementSibling !== row) row.before($("end-form"));
  for (const id of ["undo", "pump-undo", "result-undo"]) undo($(id), volumes ? volumes.undo ?? "" : "");
  $("result-undo").hidden = Boolean(seen);
  if (pump) showPump(volumes);
  if (typed) readings(volumes.rows);
}

// The button says what it takes back; where there is nothing it can be reached, but does nothing.
function undo(button, words) {
  const name = words ? `Undo ${words}` : "Undo: nothing to take back";
  if (button.dataset.words === words) return;
  button.dataset.words = words;
  button.setAttribute("aria-label", name);
  button.setAttribute("aria-disabled", String(!words));
  button.title = name;
}

function showPump(pump) {
  const started = pump.start_s != null;
  const had = [$("pump-start"), $("pump-stop")].includes(document.activeElement);
  $("pump-start").hidden = pump.running;
  $("pump-stop").hidden = !pump.running;
  text($("pump-start"), started ? "Pump starts again now" : "Pump starts now");
  if (had) $(pump.running ? "pump-stop" : "pump-start").focus();
  const rate = `${Number(pump.rate_ml_min.toFixed(3))} mL/min`;
  text($("pump-words"), pump.running ? `The pump runs at ${rate}.` : `The pump ${started ? "is held" : "stands still"}; it will run at ${rate}.`);
}

function readings(rows) {
  const host = $("readings");
  const key = JSON.stringify(rows);
  if (host.dataset.key === key || (host.contains(document.activeElement) && document.activeElement.matches("input"))) return;
  host.dataset.key = key;
  const name = (row) => (row.row === 0 ? "start" : `${row.row}${row.refill ? ", refilled" : ""}`);
  host.replaceChildren(...rows.slice().reverse().map((row) => el("tr", {},
    el("th", { scope: "row" }, name(row)),
    el("td", {}, row.reading_ml.toFixed(2) + (row.corrected ? " (corrected)" : "")),
    el("td", {}, row.volume_ml.toFixed(2)),
    el("td", {}, el("input", { id: `row-${row.row}`, inputmode: "decimal", autocomplete: "off", "aria-label": `New value of reading ${row.row}, mL` }),
      el("button", { type: "button", "data-row": row.row, "aria-label": `Correct reading ${row.row}` }, "Correct")))));
}
