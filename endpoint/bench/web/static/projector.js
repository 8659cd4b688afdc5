// The view for a class: the colour with its name, one number, one curve, one question.
import { put } from "/static/shapes.js";

const $ = (id) => document.getElementById(id);

function text(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

// Black or white text, whichever stands out more (relative luminance, WCAG 2).
function inkOn(hex) {
  const [r, g, b] = [1, 3, 5].map((k) => {
    const v = parseInt(hex.slice(k, k + 2), 16) / 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * r + 0.7152 * g + 0.0722 * b > 0.179 ? "#101010" : "#ffffff";
}

// While the class predicts the endpoint, nothing on the screen may show it.
export function isAsked(state) {
  return Boolean(state.phase === "titrating" && state.question && state.question.open);
}

export function showProjector(state) {
  const colour = state.colour;
  const swatch = $("p-swatch");
  swatch.style.background = colour ? colour.hex : "";
  swatch.style.color = colour ? inkOn(colour.hex) : "";
  text($("p-name"), colour ? colour.name : "not found");
  text($("p-volume"), state.delivered_ml.toFixed(2));
  const guidance = state.guidance;
  const asked = isAsked(state);
  // What was delivered in all is not the result: once finished, the result stands in its place.
  const done = state.phase === "result";
  $("p-number").hidden = done;
  $("p-guide").hidden = done || asked;
  $("p-result").hidden = !done;
  put($("p-shape"), asked || !guidance ? "dash" : guidance.shape);
  text($("p-words"), asked ? "Predict" : guidance ? guidance.title : "Not begun");
}

export function showQuestion(state, operator) {
  const question = state.question;
  $("question").hidden = !question || state.phase !== "titrating";
  if (!question) return;
  $("guess-form").hidden = !operator || !question.open;
  text($("question-words"), question.open
    ? `${question.asked_ml.toFixed(2)} mL delivered so far. At which volume will the last red be gone?`
    : `The class says ${question.guess_ml.toFixed(2)} mL. Carry on titrating and see.`);
}
