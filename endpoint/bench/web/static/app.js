// Wires the page to the bench: what comes in is drawn, what is done goes out.
import { Boxes, showChoice } from "/static/boxes.js";
import { Camera, showCameras } from "/static/camera.js";
import { Curve } from "/static/curve.js";
import { showEntries } from "/static/entries.js";
import { Link } from "/static/link.js";
import { showChoices, showNotices, showPicture, showSetUp, showStart, fillForm, formValues, number } from "/static/setup.js";
import { Sound } from "/static/sound.js";
import { showLiquid, showTitrating } from "/static/titrate.js";
import { clearPreparation, startPreparation } from "/static/prepare.js";
import { isAsked, showProjector, showQuestion } from "/static/projector.js";
import { showDiscarded, showKept, showProjectedResult, showReplicates, showResult } from "/static/result.js";
import { startVision } from "/static/vision.js";

const $ = (id) => document.getElementById(id);
const body = document.body;
const sound = new Sound();
const curve = new Curve($("curve"), 13);
const bigCurve = new Curve($("p-curve"), 20);
let phase = "";
let latest = null;
let version = -1;
let told = null;
let refusedUnready = false;
let formShown = false;

const link = new Link(hear);
const camera = new Camera(link, $("video"), (text) => { $("camera-note").textContent = text; });

const boxes = new Boxes(send, (text) => { $("camera-note").textContent = text; });

// What is pressed stays where it is until it is let go: a notice that comes in above it would move
// it from under the finger, and the press would be lost.
const LONGEST_PRESS_MS = 5000;
const AFTER_PRESS_MS = 100;
const held = new Map();
let pressed = 0;
function letGo() {
  pressed = 0;
  const messages = [...held.values()];
  held.clear();
  messages.forEach(hear);
}
function letGoIn(ms) {
  clearTimeout(pressed);
  pressed = setTimeout(letGo, ms);
}
addEventListener("pointerdown", (event) => { if (event.target.closest?.("button, summary, label, a")) letGoIn(LONGEST_PRESS_MS); });
for (const kind of ["pointerup", "pointercancel", "blur"]) addEventListener(kind, () => { if (pressed) letGoIn(AFTER_PRESS_MS); });

function hear(message) {
  if (pressed && (message.say === "state" || message.say === "curve")) { held.set(message.say, message); return; }
  switch (message.say) {
    case "state": showState(message); break;
    case "curve": showCurve(message); break;
    case "seen": camera.seen(message.number); if (message.text) say(`${message.text} ${message.advice}`); break;
    case "refused": refuse(message); break;
    case "done": say(""); accepted(message.do); break;
    case "preview": showPreview(message.data); break;
    case "unlinked": camera.flying.clear(); lost(true); break;
    case "linked": lost(false); break;
    default:
  }
}

function lost(gone) {
  body.dataset.linked = gone ? "no" : "yes";
  if (gone) showNotices($("notices"), [{ code: "unlinked", mark: "fault",
    text: "The page has lost the bench.", advice: "It keeps trying to reconnect. If the program has ended, start it again and open the new address; there you can resume the run." }]);
}

const NOTES = { titrating: "reading-note", result: "result-note" };
function say(text, wrong = false) {
  const note = $(NOTES[phase] ?? "begin-note");
  note.textContent = text;
  note.classList.toggle("wrong", wrong);
}

// A field in which something is wrong says so, and names the sentence that tells what.
function mark(field) {
  if (!field) return;
  const note = NOTES[phase] ?? "begin-note";
  const told = (field.getAttribute("aria-describedby") ?? "").split(" ").filter(Boolean);
  if (!told.includes(note)) field.setAttribute("aria-describedby", [...told, note].join(" "));
  field.setAttribute("aria-invalid", "true");
  const folded = field.closest("details");
  if (folded) folded.open = true;
  field.focus();
  field.select?.();
}

function unmark(field) {
  if (field.getAttribute?.("aria-invalid")) field.removeAttribute("aria-invalid");
}
for (const kind of ["input", "change"]) addEventListener(kind, (event) => { unmark(event.target); forgetQuestion(); });

function allGood(state) {
  return state.checks.length > 0 && state.checks.every((check) => check.mark === "good");
}

// The last command, its field, and what the bench asks about it before it does it.
let pending = null;
let questioned = null;

function forgetQuestion() {
  questioned = null;
  for (const id of ["begin-sure", "reading-sure"]) $(id).hidden = true;
}

function refuse(message) {
  say(`${message.text} ${message.advice}`, true);
  refusedUnready = message.code === "not-ready";
  const named = phase === "set-up" ? $("form").elements[message.field] : $(FIELDS[message.field] ?? "");
  mark(named ?? (pending && pending.field));
  if (message.code !== "unsure" || !pending) return;
  questioned = pending.command;
  const button = $(phase === "titrating" ? "reading-sure" : "begin-sure");
  button.textContent = questioned.do === "begin" ? "Start all the same" : `Yes, ${questioned.ml.toFixed(2)} mL`;
  button.hidden = false;
  if (questioned.do === "begin") button.focus();
}
const FIELDS = { before_ml: "before", after_ml: "after", rate_ml_min: "rate", reason: "reason" };

function accepted(what) {
  forgetQuestion();
  forgetWarning();
  if (what === "reading") $("reading").value = "";
  if (what === "correct") $(phase === "result" ? "h-result" : "reading").focus();
  if (what === "end-reading") { $("end-reading").value = ""; (phase === "result" ? $("h-result") : $("finish")).focus(); }
  if (what === "refill") { $("refill-box").open = false; $("before").value = $("after").value = ""; $("reading").focus(); say("The burette is refilled; the delivered volume goes on."); }
  if (what === "pump-rate") $("rate").value = "";
  if (what === "undo" && pending) say(`Taken back: ${pending.words}.`);
  if (what === "write-folder") say("The record folder is written.");
  if (what === "discard" || what === "take-back") $("h-result").focus();
  if (what === "box") $("camera-note").textContent = "";
  if (what === "guess") $("guess").value = "";
}

function showState(state) {
  latest = state;
  body.dataset.role = state.role;
  const operator = state.role === "operator";
  $("viewer-line").hidden = operator;
  $("viewer-words").textContent = state.free ? "The page at the bench is closed." : "The page at the bench is in control.";
  $("take-over").hidden = !state.free;
  $("form").hidden = !operator;
  $("again").hidden = !operator;
  if (told) showDiscarded(told.discarded, operator);
  $("camera-tools").hidden = state.camera !== "browser" || !operator;
  $("look-again").hidden = !operator || state.phase !== "set-up";
  showNotices($("notices"), state.notices);
  showPicture(state, camera.running);
  boxes.show(state, operator);
  showChoice(state, operator);
  camera.fast = state.burette.way === "drops";
  showLiquid(state);
  if (state.phase === "set-up") showSetUp(state);
  if (refusedUnready && state.phase === "set-up" && allGood(state)) { refusedUnready = false; say(""); }
  if (state.phase === "set-up" && operator && state.burette.way !== wanted()) watch();
  showEntries(state, operator);
  if (state.phase === "titrating") showTitrating(state, operator);
  if (state.phase === "result") showKept(state);
  showQuestion(state, operator, body.dataset.screen);
  showProjector(state);
  showBigCurve();
  sound.guide(state.guidance);
  if (state.phase !== phase) turnTo(state.phase);
}

function turnTo(next) {
  const first = phase === "";
  phase = next;
  body.dataset.phase = next;
  for (const name of ["set-up", "titrating", "result"]) $(`view-${name}`).hidden = name !== next;
  for (const step of document.querySelectorAll("[data-step]")) {
    if (step.dataset.step === next) step.setAttribute("aria-current", "step");
    else step.removeAttribute("aria-current");
  }
  if (next === "set-up") { formShown = false; clearPreparation(); }
  say("");
  if (first) return;
  // The guidance stands at the top; the field that gets the focus scrolls only if it must.
  scrollTo(0, 0);
  if (next === "titrating") [$("reading"), $("end-reading"), $("pump-start"), $("pump-stop")].find((e) => e.offsetParent !== null)?.focus();
  else if (next === "result") $("h-result").focus();
  else $("f-label").focus();
}

function showCurve(message) {
  if (message.version === version) return;
  version = message.version;
  curve.show(message.points, message.document);
  told = message;
  showBigCurve();
  showChoices(message.choices);
  if (!formShown) {
    showStart(message.last_reading_ml, Object.keys(message.form).length > 0);
    if (Object.keys(message.form).length) fillForm(message.form);
  }
  formShown = true;
  showResult($("result"), message.document, message.words, message.guess_ml);
  showProjectedResult($("p-result"), message.document, message.words, message.guess_ml);
  showReplicates(message.replicates, message.mean);
  showDiscarded(message.discarded, body.dataset.role === "operator");
}

let drawn = "";
function showBigCurve() {
  const asked = latest != null && isAsked(latest);
  const key = `${version} ${asked}`;
  if (!told || key === drawn) return;
  drawn = key;
  bigCurve.show(told.points, asked ? null : told.document);
}

function showPreview(data) {
  const image = $("preview");
  const old = image.src;
  image.src = URL.createObjectURL(new Blob([data.slice(4)], { type: "image/jpeg" }));
  image.hidden = false;
  if (old) URL.revokeObjectURL(old);
}

async function startCamera(device) {
  if (!(await camera.start(device))) return;
  body.dataset.cameraStarted = String(Math.round(performance.timeOrigin + performance.now()));
  await showCameras(camera, $("camera-list"), $("camera-choice"));
  $("camera-start").textContent = "Restart the camera";
}

function send(command, field = null, words = "") {
  // The same once more is the answer to a question.
  const again = questioned && JSON.stringify(questioned) === JSON.stringify(command);
  pending = { command, field, words };
  if (!link.send(again ? { ...command, sure: true } : command)) say("The bench does not answer. Wait until the page has reconnected.", true);
}

// A number from a field; says what is wrong with it, and marks it, if it is none.
function numberIn(id, words) {
  const field = $(id);
  const value = number(field.value);
  if (value !== null) return value;
  say(words, true);
  mark(field);
  return null;
}

// What the bench looks for in the pictures, so that the checks show before the run whether it works.
function wanted() {
  const mode = $("form").elements.mode.value;
  return mode === "meniscus" || mode === "drops" ? mode : "typed";
}

let asked = 0;
function watch(always = false) {
  const now = performance.now();
  if (!link.ready || phase !== "set-up" || (!always && now - asked < 500)) return;
  asked = now;
  link.send({ do: "watch", way: wanted(), division_ml: Number($("f-division").value) });
}

$("camera-start").addEventListener("click", () => startCamera());
$("camera-list").addEventListener("change", (event) => startCamera(event.target.value));
navigator.mediaDevices?.addEventListener("devicechange", () => { if (camera.running) showCameras(camera, $("camera-list"), $("camera-choice")); });
$("look-again").addEventListener("click", () => send({ do: "look-again" }));
$("next-body").addEventListener("click", () => send({ do: "next-body" }));
$("keep-body").addEventListener("click", () => { send({ do: "keep-body" }); $("look-again").focus(); });
$("take-over").addEventListener("click", () => send({ do: "take-over" }));
$("form").addEventListener("submit", (event) => {
  event.preventDefault();
  const form = formValues($("form"));
  if (form.wrong) { say(form.wrong, true); mark(form.field); return; }
  send({ do: "begin", form: form.values });
});
for (const radio of document.querySelectorAll("[name=mode]")) {
  radio.addEventListener("change", () => {
    for (const part of document.querySelectorAll("[data-mode]")) part.hidden = !part.dataset.mode.split(" ").includes(radio.value);
    watch(true);
  });
}
$("f-division").addEventListener("change", () => watch(true));
$("unfinished").addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (button) send({ do: button.dataset.do, run: button.dataset.run });
});
$("reading-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const ml = numberIn("reading", "Type the burette reading as a number, such as 12.35.");
  if (ml !== null) send({ do: "reading", ml }, $("reading"));
});
for (const id of ["begin-sure", "reading-sure"]) {
  $(id).addEventListener("click", () => { if (questioned) { if (questioned.do === "reading") $("reading").focus(); send(questioned); } });
}
$("end-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const ml = numberIn("end-reading", "Type the end reading as a number, such as 12.35.");
  if (ml !== null) send({ do: "end-reading", ml }, $("end-reading"));
});
$("refill-box").addEventListener("toggle", () => {
  const rows = latest && latest.volumes && latest.volumes.rows;
  if ($("refill-box").open && rows && !$("before").value) $("before").value = rows.at(-1).reading_ml.toFixed(2);
});
$("refill-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const before_ml = numberIn("before", "Type the reading before the refill as a number.");
  if (before_ml === null) return;
  const after_ml = numberIn("after", "Type the reading after the refill as a number, such as 0.00.");
  if (after_ml !== null) send({ do: "refill", before_ml, after_ml }, $("after"));
});
for (const id of ["undo", "pump-undo", "result-undo"]) {
  $(id).addEventListener("click", () => {
    const words = $(id).dataset.words;
    if (!words) { say("There is nothing to take back."); return; }
    send({ do: "undo" }, null, words);
    if (id === "undo") $("reading").focus();
  });
}
$("readings").addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  const row = Number(button.dataset.row);
  const ml = numberIn(`row-${row}`, "Type the corrected reading as a number.");
  if (ml !== null) send({ do: "correct", row, ml }, $(`row-${row}`));
});
$("readings").addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.target.matches("input")) event.target.nextElementSibling.click();
});
$("pump-start").addEventListener("click", () => send({ do: "pump-start" }));
$("pump-stop").addEventListener("click", () => send({ do: "pump-stop" }));
$("rate-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const rate_ml_min = numberIn("rate", "Type the pump rate in mL/min, such as 1.5.");
  if (rate_ml_min !== null) send({ do: "pump-rate", rate_ml_min }, $("rate"));
});
$("go-on").addEventListener("click", () => send({ do: "go-on" }));
$("discard").addEventListener("click", () => { $("discard-form").hidden = false; $("reason").focus(); });
$("discard-not").addEventListener("click", () => { $("discard-form").hidden = true; $("discard").focus(); });
$("discard-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const reason = $("reason").value.trim();
  if (!reason) { say("Type in a few words why the run is discarded.", true); mark($("reason")); return; }
  send({ do: "discard", reason }, $("reason"));
  $("reason").value = "";
});
$("take-back").addEventListener("click", () => send({ do: "take-back" }));
$("write-folder").addEventListener("click", () => { say("Writing the record folder."); send({ do: "write-folder" }); });
// Before it is enough the first press says what finishing now would give; the second one finishes.
let warnedOf = "";
$("finish").addEventListener("click", () => {
  const early = latest && latest.guidance ? latest.guidance.finishing : "";
  if (early && warnedOf === "") {
    warnedOf = early;
    $("finish").textContent = "Finish all the same";
    say(early, true);
    return;
  }
  forgetWarning();
  send({ do: "finish" });
});
function forgetWarning() {
  warnedOf = "";
  $("finish").textContent = "Finish and show the result";
}
$("ask").addEventListener("click", () => send({ do: "ask" }));
$("again").addEventListener("click", () => send({ do: "again" }));
$("guess-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const ml = number($("guess").value);
  if (ml !== null) send({ do: "guess", ml });
});
$("projector-toggle").addEventListener("click", () => {
  const on = body.dataset.screen !== "projector";
  body.dataset.screen = on ? "projector" : "bench";
  $("projector").hidden = !on;
  if (on) $("p-result").after($("question"));
  else $("view-result").after($("question"));
  $("projector-toggle").setAttribute("aria-pressed", String(on));
  $("projector-toggle").textContent = on ? "Back to the bench" : "Projector";
  if (latest) showState(latest);
  curve.resize();
  bigCurve.resize();
});
addEventListener("keydown", (event) => {
  if (event.key !== "Escape" || event.defaultPrevented || body.dataset.screen !== "projector") return;
  $("projector-toggle").click();
  $("projector-toggle").focus();
});
$("tones").addEventListener("change", (event) => sound.setTones(event.target.checked));
$("speech").addEventListener("change", (event) => sound.setSpeech(event.target.checked));
$("volume").addEventListener("input", (event) => { sound.level = Number(event.target.value) / 100; });
document.querySelector(".menu").addEventListener("keydown", (event) => {
  if (event.key === "Escape") { event.preventDefault(); event.currentTarget.open = false; event.currentTarget.querySelector("summary").focus(); }
});
addEventListener("beforeunload", (event) => { if (phase === "titrating" && body.dataset.role === "operator") event.preventDefault(); });
startPreparation();
startVision($("vision"), $("filters"));
