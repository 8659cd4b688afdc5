// The result: only what the document says.
import { el, shape } from "/static/shapes.js";

const $ = (id) => document.getElementById(id);
const STATUS = {
  located: ["good", "Located"],
  bracketed: ["doubt", "Only an interval is honest"],
  none: ["fault", "No end point in this run"],
};

// Uncertainty with two digits, the value with as many decimals.
export function withUncertainty(value, u) {
  if (!(u > 0)) return [value.toFixed(2), ""];
  const places = Math.max(0, Math.min(6, 1 - Math.floor(Math.log10(u))));
  return [value.toFixed(places), u.toFixed(places)];
}

function volume(end) {
  if (!end) return null;
  if (end.value == null) {
    const [low, high] = end.interval95;
    return el("p", { class: "big" }, high == null ? `above ${low.toFixed(2)} mL` : `${low.toFixed(2)} to ${high.toFixed(2)} mL`);
  }
  const [value, u] = withUncertainty(end.value, end.standard_uncertainty);
  return el("p", { class: "big" }, el("span", { id: "equivalence" }, value), " mL ", el("span", { class: "plus" }, `± ${u} mL`));
}

function sentences(title, list) {
  if (!list || !list.length) return null;
  return el("section", {}, el("h2", {}, title), el("ul", { class: "says" }, ...list.map((s) =>
    el("li", { "data-code": s.code }, el("p", {}, s.text), s.advice && s.advice !== "None needed." ? el("p", { class: "hint" }, s.advice) : null))));
}

function amount(name, quantity, unit) {
  if (!quantity || quantity.value == null) return null;
  const [value, u] = withUncertainty(quantity.value, quantity.standard_uncertainty);
  return el("div", {}, el("dt", {}, name), el("dd", {}, `${value}${u ? ` ± ${u}` : ""} ${unit}`));
}

function estimate(name, end) {
  if (!end || end.value == null) return null;
  return el("div", {}, el("dt", {}, name), el("dd", {}, `${end.value.toFixed(2)} mL`));
}

export function showResult(host, result, guess) {
  if (!result) { host.replaceChildren(); return; }
  const [mark, words] = STATUS[result.status] ?? STATUS.none;
  const found = result.equivalence_ml ? result.equivalence_ml.value : null;
  const hardness = result.hardness ?? {};
  const compared = guess != null && found != null
    ? el("p", { class: "says" }, `The class said ${guess.toFixed(2)} mL: ${Math.abs(guess - found).toFixed(2)} mL ${guess > found ? "more" : "less"}.`)
    : null;
  host.replaceChildren(...[
    el("p", { class: "outcome", "data-status": result.status }, shape(mark), el("span", {}, words)),
    result.equivalence_ml ? el("h2", {}, "Equivalence volume") : null,
    volume(result.equivalence_ml),
    found == null ? null : el("p", { class: "hint" }, "± is the standard uncertainty (k = 1)."),
    el("dl", { class: "numbers" }, ...[
      amount("Hardness", hardness.mmol_l, "mmol/L"),
      amount("as calcium carbonate", hardness.caco3_mg_l, "mg/L"),
      estimate("Half of the indicator free", result.midpoint_ml),
      estimate("Last red tinge", result.last_red_ml),
    ].filter(Boolean)),
    compared,
    sentences("Why", result.reasons),
    sentences("Remarks", result.diagnosis),
    result.not_in_budget && result.not_in_budget.length
      ? el("p", { class: "hint" }, `Not in the uncertainty, because not stated: ${result.not_in_budget.join("; ")}.`) : null,
    el("p", {}, el("a", { href: "/result.json", target: "_blank", rel: "noopener" }, "The whole result as JSON")),
  ].filter(Boolean));
}

export function showReplicates(list) {
  $("replicates-box").hidden = list.length === 0;
  $("replicates").replaceChildren(...list.map((r) => el("tr", {},
    el("th", { scope: "row" }, String(r.number)), el("td", {}, r.label), el("td", {}, (STATUS[r.status] ?? STATUS.none)[1]),
    el("td", {}, r.equivalence_ml == null ? "none" : withUncertainty(r.equivalence_ml, r.standard_uncertainty_ml).join(" ± ")),
    el("td", {}, r.hardness_mmol_l == null ? "none" : r.hardness_mmol_l.toFixed(3)))));
}
