// The result: only what the document says.
import { el, shape } from "/static/shapes.js";

const $ = (id) => document.getElementById(id);
const STATUS = {
  located: ["good", "Located"],
  bracketed: ["doubt", "Only an interval can be given"],
  none: ["fault", "No endpoint in this run"],
};

// The words of the terminal; only the number stands first.
function volume(words, id = null) {
  if (!words.volume.value && !words.volume.rest) return null;
  if (!words.volume.value) return el("p", { class: "bound" }, words.volume.rest);
  return el("p", { class: "big" }, el("span", id ? { id } : {}, words.volume.value), " ", el("span", { class: "plus" }, words.volume.rest));
}

function sentences(title, list) {
  if (!list || !list.length) return null;
  return el("section", {}, el("h2", {}, title), el("ul", { class: "says" }, ...list.map((s) =>
    el("li", { "data-code": s.code }, el("p", {}, s.text), s.advice && s.advice !== "None needed." ? el("p", { class: "hint" }, s.advice) : null))));
}

function row(item) {
  return el("div", {}, el("dt", {}, item.name), el("dd", {}, item.text));
}

// The class is asked for the last red, so it is compared with that; both as they are printed.
export function comparedWords(result, guess) {
  if (guess == null) return null;
  const said = guess.toFixed(2);
  const end = result.equivalence_ml && result.equivalence_ml.value != null ? result.equivalence_ml.value.toFixed(2) : null;
  const also = end == null ? "" : ` The equivalence volume is ${end} mL.`;
  if (!result.last_red_ml || result.last_red_ml.value == null) {
    return `The class said that the last red would be gone at ${said} mL. This run does not show when it went.${also}`;
  }
  const red = result.last_red_ml.value.toFixed(2);
  const apart = Math.abs(said - red).toFixed(2);
  const how = said === red ? "exactly right" : `${apart} mL ${Number(said) > Number(red) ? "too high" : "too low"}`;
  return `The class said ${said} mL: ${how}. The last red was gone at ${red} mL.${also}`;
}

// The result for a class: the volume, the hardness, and what the class had said.
export function showProjectedResult(host, result, words, guess) {
  if (!result || !words) { host.replaceChildren(); return; }
  const [mark, outcome] = STATUS[result.status] ?? STATUS.none;
  const compared = comparedWords(result, guess);
  host.replaceChildren(...[
    el("p", { class: "outcome", "data-status": result.status }, shape(mark), el("span", {}, outcome)),
    result.equivalence_ml ? el("h2", {}, "Equivalence volume") : null,
    volume(words),
    el("dl", { class: "numbers" }, ...words.amounts.map(row)),
    compared ? el("p", { class: "says" }, compared) : null,
  ].filter(Boolean));
}

export function showResult(host, result, words, guess) {
  if (!result || !words) { host.replaceChildren(); return; }
  const [mark, outcome] = STATUS[result.status] ?? STATUS.none;
  const said = comparedWords(result, guess);
  const compared = said ? el("p", { class: "says" }, said) : null;
  host.replaceChildren(...[
    el("p", { class: "outcome", "data-status": result.status }, shape(mark), el("span", {}, outcome)),
    result.equivalence_ml ? el("h2", {}, "Equivalence volume") : null,
    volume(words, "equivalence"),
    el("dl", { class: "numbers" }, ...words.amounts.map(row)),
    words.others.length ? el("dl", { class: "numbers lesser" }, ...words.others.map(row)) : null,
    compared,
    sentences("Why", result.reasons),
    sentences("Remarks", result.diagnosis),
    result.not_in_budget && result.not_in_budget.length
      ? el("p", { class: "hint" }, `Not in the uncertainty, because not stated: ${result.not_in_budget.join("; ")}.`) : null,
  ].filter(Boolean));
}

export function showReplicates(list, mean) {
  $("replicates-box").hidden = list.length === 0;
  $("mean-words").textContent = mean;
  const cell = (name, text) => el("td", { role: "cell" }, el("span", { class: "cell-name", "aria-hidden": "true" }, name), text);
  $("replicates").replaceChildren(...list.map((r) => el("tr", { role: "row" },
    el("th", { scope: "row", role: "rowheader" }, el("span", { class: "cell-name", "aria-hidden": "true" }, "Run"), String(r.run)),
    cell("Replicate", `${r.replicate} of ${r.label}`),
    cell("Outcome", r.status === "discarded" ? "Discarded, not in the mean" : (STATUS[r.status] ?? STATUS.none)[1]),
    cell("Equivalence volume", r.volume || "none"), cell("Hardness", r.amount || "none"))));
}

// Where the run is kept and under which number, and what can be done with it.
export function showKept(state) {
  const kept = state.kept;
  if (!kept) return;
  text($("run-words"), `Run ${kept.run}, replicate ${kept.replicate} of ${kept.label}`);
  text($("kept-words"), kept.journal ? `The journal keeps it as run ${kept.run}: ${kept.journal}` : "The journal is in memory; it ends with the program.");
  text($("folder-words"), kept.folder ? `Written to ${kept.folder}` : "");
  $("write-folder").hidden = !kept.journal || state.role !== "operator";
}

export function showDiscarded(reason, operator) {
  const gone = reason != null;
  for (const id of ["go-on", "discard"]) $(id).hidden = gone || !operator;
  $("take-back").hidden = !gone || !operator;
  $("discard-form").hidden = $("discard-form").hidden || gone || !operator;
  $("discarded").hidden = !gone;
  if (gone) text($("discarded-words"), reason ? `This run is discarded: ${reason}.` : "This run is discarded.");
}

function text(node, words) {
  if (node.textContent !== words) node.textContent = words;
}
