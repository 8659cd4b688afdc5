// The set-up view: notices, picture with outlines, checks, form.
import { outlinesOf, outlinesOfBodies } from "/static/boxes.js";
import { el, shape, svg } from "/static/shapes.js";

const $ = (id) => document.getElementById(id);
const WORDS = { good: "good", wait: "wait", doubt: "check this", fault: "fix this", over: "over" };

// A number typed with decimal point or comma; null if it is not one.
export function number(text) {
  const trimmed = text.trim().replace(",", ".");
  if (!/^[+]?(\d+\.?\d*|\.\d+)(e-?\d+)?$/i.test(trimmed)) return null;
  return Number(trimmed);
}

function line(item) {
  return el("li", { class: `check ${item.mark}`, "data-code": item.code },
    shape(item.mark),
    el("div", {}, el("p", { class: "check-text" }, el("span", { class: "tag" }, WORDS[item.mark] ?? item.mark), ` ${item.text}`),
      item.advice && item.mark !== "good" ? el("p", { class: "hint" }, item.advice) : null));
}

function redraw(host, items) {
  const key = JSON.stringify(items);
  if (host.dataset.key === key) return;
  host.dataset.key = key;
  host.replaceChildren(...items.map(line));
}

export function showNotices(host, notices) {
  const key = JSON.stringify(notices);
  if (host.dataset.key === key) return;
  host.dataset.key = key;
  host.replaceChildren(...(notices.length ? [el("ul", { class: "checks" }, ...notices.map(line))] : []));
}

export function showSetUp(state) {
  redraw($("checks"), state.checks);
  $("begin").disabled = state.role !== "operator";
  const runs = state.role === "operator" ? state.unfinished : [];
  const key = JSON.stringify(runs);
  const host = $("unfinished");
  if (host.dataset.key === key) return;
  host.dataset.key = key;
  host.hidden = runs.length === 0;
  host.replaceChildren(...runs.map((run) => el("li", {}, el("p", {}, `The run "${run.label}" was interrupted.`),
    el("button", { type: "button", "data-do": "resume", "data-run": run.run, "aria-label": `Resume ${run.label}` }, "Resume"),
    el("button", { type: "button", "data-do": "give-up", "data-run": run.run, "aria-label": `Close ${run.label} without a result` }, "Close it"))));
}

export function showPicture(state, running) {
  const outlines = $("outlines");
  const looking = state.phase === "set-up" || state.phase === "titrating";
  const region = looking ? state.region : null;
  const burette = looking ? state.burette : null;
  const key = JSON.stringify([region, burette, state.choice]);
  $("no-picture").hidden = running || !$("preview").hidden;
  if (outlines.dataset.key === key) return;
  outlines.dataset.key = key;
  const size_of = region ? [region.width, region.height] : burette && burette.picture;
  if (!size_of) { outlines.replaceChildren(); return; }
  outlines.setAttribute("viewBox", `0 0 ${size_of[0]} ${size_of[1]}`);
  $("frame").style.aspectRatio = `${size_of[0]} / ${size_of[1]}`;
  const size = Math.max(...size_of) / 30;
  const ring = (points, name) => {
    const text = points.map((p) => p.join(",")).join(" ");
    const x = Math.min(...points.map((p) => p[0]));
    const y = Math.min(...points.map((p) => p[1])) - size * 0.4;
    const label = (cls) => svg("text", { x, y: Math.max(y, size), "font-size": size, class: cls }, [name]);
    return [svg("polygon", { points: text, class: "halo" }), svg("polygon", { points: text, class: "rim" }), label("halo-text"), label("rim-text")];
  };
  const found = region ? [...ring(region.liquid, "liquid"), ...ring(region.reference, "white")] : [];
  const boxes = burette ? { ...burette, boxes: region ? { ...burette.boxes, liquid: undefined, reference: undefined } : burette.boxes } : null;
  const others = region ? outlinesOfBodies(state.choice, size) : [];
  outlines.replaceChildren(...others, ...found, ...outlinesOf(boxes));
}

export function formValues(form) {
  const data = new FormData(form);
  const values = { mode: data.get("mode"), label: data.get("label").trim() };
  const pump = values.mode === "pump";
  const certified = Boolean(data.get("titrant_certificate"));
  const names = ["sample_ml", "fillings", "added_ml", ...(certified ? [] : ["titrant_mol_l", "titrant_uncertainty_mol_l"]), "lag_s",
    "lag_uncertainty_s", "blank_ml", "blank_uncertainty_ml", "temperature_c", pump ? "rate_ml_min" : "first_reading_ml"];
  const needed = ["sample_ml", "titrant_mol_l", "rate_ml_min", "first_reading_ml"];
  for (const name of names) {
    const field = form.elements[name];
    const title = form.querySelector(`label[for=${field.id}]`).textContent;
    if (!field.value.trim()) {
      if (needed.includes(name)) return { wrong: `Type a value: ${title}.`, field };
      continue;
    }
    const value = number(field.value);
    if (value === null) return { wrong: `Type a number: ${title}.`, field };
    values[name] = value;
  }
  if (values.mode === "meniscus") values.division_ml = Number(data.get("division_ml"));
  for (const name of ["titrant_certificate", "burette_certificate", "pipette_certificate", "indicator", "analyst"]) {
    if (data.get(name).trim()) values[name] = data.get(name).trim();
  }
  if (data.get("pipette_class")) values.pipette_class = data.get("pipette_class");
  if (data.get("burette")) {
    const [nominal, kind] = data.get("burette").split(" ");
    values.burette_nominal_ml = Number(nominal);
    values.burette_class = kind;
  }
  return { values };
}

// Certificates and indicators that can be chosen.
export function showChoices(choices) {
  const key = JSON.stringify(choices);
  if ($("form").dataset.choices === key) return;
  $("form").dataset.choices = key;
  for (const list of document.querySelectorAll("[data-purpose]")) {
    const offered = choices.certificates.filter((c) => c.purpose === list.dataset.purpose);
    list.replaceChildren(new Option("none", ""), ...offered.map((c) => new Option(c.text, c.file)));
  }
  const usual = $("f-indicator").options[0];
  $("f-indicator").replaceChildren(usual, ...choices.indicators.filter((name) => name !== usual.text).map((name) => new Option(name, name)));
}

// The start reading is never taken over: the burette stands elsewhere after a run.
export function showStart(last, used) {
  $("f-first").value = used ? "" : "0.00";
  $("first-hint").textContent = last == null ? "" : `The last reading was ${last.toFixed(2)} mL; if nobody filled the burette, the run begins there.`;
}

export function fillForm(values) {
  const form = $("form");
  for (const [name, value] of Object.entries(values)) {
    const field = form.elements[name];
    if (!field || name === "mode") continue;
    field.value = String(value);
  }
  if (values.burette_nominal_ml) form.elements.burette.value = `${values.burette_nominal_ml} ${values.burette_class ?? "A"}`;
  $("more").open = ["analyst", "indicator", "temperature_c", "blank_ml", "titrant_certificate", "burette_certificate", "pipette_certificate"].some((name) => name in values);
  const mode = form.querySelector(`[name=mode][value="${["pump", "meniscus", "drops"].includes(values.mode) ? values.mode : "steps"}"]`);
  mode.checked = true;
  mode.dispatchEvent(new Event("change"));
}
