// The titrating view: guidance, track, readings; and the liquid in words.
import { put, svg } from "/static/shapes.js";
import { wordOf } from "/static/sound.js";

const $ = (id) => document.getElementById(id);

export function clock(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

function text(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

export function showLiquid(state) {
  const colour = state.colour;
  const swatch = $("swatch");
  swatch.style.background = colour ? colour.hex : "";
  swatch.classList.toggle("empty", !colour);
  text($("liquid-name"), colour ? colour.name : "not found");
  scale($("scale"), colour ? colour.place : null);
}

// A graduated line from the red to the blue form with a pointer.
function scale(host, place) {
  const key = place == null ? "none" : place.toFixed(2);
  if (host.dataset.key === key) return;
  host.dataset.key = key;
  const marks = [...Array(21).keys()].map((k) => svg("path", { d: `M${10 + k * 14} 22v${k % 5 === 0 ? 16 : 9}`, class: "line" }));
  const pointer = place == null ? [] : [svg("path", { d: `M${10 + place * 280} 22l-9-16h18Z`, class: "solid" })];
  const word = (x, anchor, words) => svg("text", { x, y: 56, "text-anchor": anchor }, [words]);
  host.replaceChildren(svg("svg", { viewBox: "0 0 300 62", role: "img", class: "shape",
    "aria-label": place == null ? "No colour found" : `${Math.round(100 * place)} % of the way from the red to the blue form` },
  [...marks, ...pointer, word(2, "start", "red form"), word(150, "middle", "half way"), word(298, "end", "blue form")]));
}

export function showTitrating(state, operator) {
  const guidance = state.guidance;
  put($("guide-shape"), guidance ? guidance.shape : "dash");
  text($("guide-words"), guidance ? guidance.title : "Predict first");
  said($("guide-said"), guidance);
  text($("guide-left"), guidance ? guidance.left_text : "");
  text($("guide-detail"), guidance ? guidance.words : "The guidance stays hidden until the class has made its prediction.");
  places($("places"), guidance ? guidance.place : null);
  track($("track"), state);
  text($("delivered"), state.delivered_ml.toFixed(2));
  const volumes = state.volumes;
  const pump = volumes && volumes.kind === "pump";
  const seen = volumes && (volumes.kind === "meniscus" || volumes.kind === "drops");
  for (const id of ["finish", "ask"]) $(id).hidden = !operator;
  const begun = pump ? volumes.start_s : seen ? volumes.begun_s : volumes && volumes.rows.length ? volumes.rows[0].time_s : null;
  text($("clock"), begun == null ? "0:00" : clock(state.time_s - begun));
}

// Read aloud once for each word, not for every second of a wait.
function said(host, guidance) {
  const word = guidance ? wordOf(guidance) : "";
  if (host.dataset.word === word) return;
  host.dataset.word = word;
  text(host, guidance ? guidance.spoken : "");
}

// The state by its position on a scale of six.
function places(host, place) {
  const key = String(place);
  if (host.dataset.key === key) return;
  host.dataset.key = key;
  for (const [k, item] of [...host.children].entries()) {
    if (k === place) item.setAttribute("aria-current", "true");
    else item.removeAttribute("aria-current");
  }
}

// Delivered volume and the end on one line: a filled bar, a bracket for the 90 % range, words.
function track(host, state) {
  const told = state.guidance;
  const left = told && told.left_ml != null
    ? { value_ml: told.left_ml, low_ml: told.left_low_ml ?? told.left_ml, high_ml: told.left_high_ml ?? told.left_ml } : null;
  const delivered = state.delivered_ml;
  const key = JSON.stringify([delivered.toFixed(2), left]);
  if (host.dataset.key === key) return;
  host.dataset.key = key;
  const end = left ? delivered + left.value_ml : null;
  // Near the end only the last stretch is drawn, so that single drops show.
  const near = end != null && Math.abs(end - delivered) < 1;
  const low = near ? Math.max(0, Math.floor((Math.min(end, delivered) - 0.9) * 5) / 5) : 0;
  const top = near ? Math.max(end, delivered) + 0.3 : Math.max(end == null ? delivered * 1.25 : end * 1.12, 1);
  const x = (ml) => 12 + 576 * Math.max(0, Math.min(ml - low, top - low)) / (top - low);
  const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].find((s) => (top - low) / s <= 10) ?? 100;
  const marks = [];
  for (let k = Math.ceil(low / step - 1e-6); k * step <= top + 1e-9; k += 1) {
    const at = x(k * step);
    marks.push(svg("path", { d: `M${at} 46v10`, class: "line" }));
    marks.push(svg("text", { x: at, y: 76, "text-anchor": "middle" }, [String(Number((k * step).toFixed(2)))]));
  }
  const cut = low > 0 ? [svg("path", { d: "M8 40l8 12M2 40l8 12", class: "line" })] : [];
  const parts = [svg("path", { d: "M12 46h576", class: "line" }), ...marks, ...cut,
    svg("rect", { x: 12, y: 30, width: Math.max(x(delivered) - 12, 0), height: 16, class: "filled" }),
    svg("path", { d: `M${x(delivered)} 46v-26`, class: "line thick" })];
  if (left) {
    const [a, b] = [x(delivered + left.low_ml), x(delivered + left.high_ml)];
    const wide = Math.max(b - a, 6);
    const from = (a + b - wide) / 2;
    parts.push(svg("path", { d: `M${from + 5} 14h-5v34h5M${from + wide - 5} 14h5v34h-5`, class: "line thick" }));
    parts.push(svg("path", { d: `M${x(end)} 26l7-12h-14Z`, class: "solid" }));
    parts.push(svg("text", { x: Math.min(Math.max(x(end), 48), 552), y: 10, "text-anchor": "middle", class: "strong" }, ["endpoint"]));
  }
  const words = end == null ? `Delivered ${delivered.toFixed(2)} mL, endpoint not known yet`
    : `Delivered ${delivered.toFixed(2)} mL, endpoint near ${end.toFixed(2)} mL`;
  host.replaceChildren(svg("svg", { viewBox: "0 0 600 84", role: "img", "aria-label": words, class: "shape" }, parts));
}
