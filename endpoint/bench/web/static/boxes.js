// Boxes by hand: drawn on the picture, or typed and moved with the arrow keys.
import { svg } from "/static/shapes.js";

const $ = (id) => document.getElementById(id);
const SIDES = ["left", "top", "right", "bottom"];
const NAMES = { liquid: "liquid", reference: "white", burette: "burette", tip: "drops" };

// Which of several bodies is taken: in words, and with a dotted outline and a number for the others.
export function showChoice(state, operator) {
  const choice = operator ? state.choice : null;
  const count = choice === null || state.region === null ? 0 : choice.bodies.length;
  const settled = choice !== null && (choice.sure || choice.kept);
  const shown = count > 1 || (count === 1 && !settled);
  $("choice").hidden = !shown;
  document.body.dataset.pointing = choice !== null ? "yes" : "no";
  if (!shown) return;
  const place = `${choice.which + 1} of ${count}`;
  const words = choice.kept ? `You chose the liquid (${place}).`
    : choice.sure ? `The liquid is outlined (${place} that it could be). If it is the wrong one, point at the right one.`
      : count === 1 ? "Is the liquid outlined? If not, point at it in the picture."
        : `Is the liquid outlined? It is ${place} that it could be. If not, point at the right one, or press Next candidate.`;
  if ($("choice-words").textContent !== words) $("choice-words").textContent = words;
  $("choice-words").dataset.sure = settled ? "yes" : "no";
  $("keep-body").hidden = settled;
  $("next-body").hidden = count < 2;
}

// The whole body that was taken, solid; the dashed outline within it is what is measured.
export function outlinesOfBodies(choice, size) {
  if (!choice) return [];
  const marks = [];
  for (const [k, body] of choice.bodies.entries()) {
    const points = body.map((p) => p.join(",")).join(" ");
    if (k === choice.which) {
      marks.push(svg("polygon", { points, class: "halo" }), svg("polygon", { points, class: "rim taken" }));
      continue;
    }
    if (choice.kept) continue;
    const at = { x: body.reduce((sum, p) => sum + p[0], 0) / body.length, y: body.reduce((sum, p) => sum + p[1], 0) / body.length, "font-size": size };
    marks.push(svg("polygon", { points, class: "halo" }), svg("polygon", { points, class: "rim other" }),
      svg("text", { ...at, class: "halo-text" }, [`${k + 1}?`]), svg("text", { ...at, class: "rim-text" }, [`${k + 1}?`]));
  }
  return marks;
}

// Outlines of boxes over the picture: a rectangle with its name, so colour is not needed.
export function outlinesOf(burette) {
  if (!burette || !burette.picture) return [];
  const [width, height] = burette.picture;
  const size = Math.max(width, height) / 30;
  const marks = [];
  const draw = (box, name) => {
    const place = { x: box[0], y: box[1], width: box[2] - box[0], height: box[3] - box[1] };
    const y = Math.min(box[1] + size, height - size * 0.2);
    const x = box[2] + size * 0.3 > width - size * 4 ? Math.max(box[0] - size * 4, 0) : box[2] + size * 0.3;
    const label = (cls) => svg("text", { x, y, "font-size": size, class: cls }, [name]);
    marks.push(svg("rect", { ...place, class: "halo" }), svg("rect", { ...place, class: "rim dots" }), label("halo-text"), label("rim-text"));
  };
  if (burette.found && burette.way === "meniscus" && !burette.boxes.burette) draw(burette.found, NAMES.burette);
  for (const [name, box] of Object.entries(burette.boxes)) if (box && NAMES[name]) draw(box, NAMES[name]);
  return marks;
}

export class Boxes {
  constructor(send, say) {
    this.send = send;
    this.say = say;
    this.picture = null;
    this.held = {};
    this.from = null;
    const frame = $("frame");
    frame.addEventListener("click", (event) => this.point(event));
    frame.addEventListener("pointerdown", (event) => this.down(event));
    frame.addEventListener("pointermove", (event) => this.move(event));
    frame.addEventListener("pointerup", (event) => this.up(event));
    $("hand").addEventListener("toggle", () => { document.body.dataset.drawing = this.open ? "yes" : "no"; this.draft(); });
    $("box-what").addEventListener("change", () => this.fill());
    for (const side of SIDES) $(`box-${side}`).addEventListener("input", () => this.draft());
    $("box-form").addEventListener("submit", (event) => { event.preventDefault(); this.use(); });
    $("box-none").addEventListener("click", () => this.send({ do: "no-box", what: $("box-what").value }));
  }

  get open() {
    return $("hand").open && !$("hand").hidden;
  }

  // With no box being drawn, a click or a tap says where the liquid is.
  point(event) {
    if (this.open || !this.picture || document.body.dataset.pointing !== "yes") return;
    const [x, y] = this.place(event);
    this.send({ do: "point", x, y });
  }

  show(state, operator) {
    const hidden = !operator || state.phase !== "set-up";
    if ($("hand").hidden !== hidden) {
      $("hand").hidden = hidden;
      document.body.dataset.drawing = this.open ? "yes" : "no";
      this.draft();
    }
    const burette = state.burette;
    const first = !this.picture && burette.picture;
    this.picture = burette.picture;
    this.held = burette.boxes;
    if (this.picture) for (const [k, side] of SIDES.entries()) $(`box-${side}`).max = this.picture[k % 2];
    if (first) this.fill();
  }

  // The box that is in force, or a first one in the middle to move from.
  fill() {
    if (!this.picture) return;
    const [width, height] = this.picture;
    const middle = [width * 0.4, height * 0.3, width * 0.6, height * 0.7].map(Math.round);
    const box = this.held[$("box-what").value] ?? middle;
    for (const [k, side] of SIDES.entries()) $(`box-${side}`).value = String(box[k]);
    this.draft();
  }

  values() {
    return SIDES.map((side) => Math.round(Number($(`box-${side}`).value)));
  }

  use() {
    const box = this.values();
    if (!this.picture) { this.say("There is no picture yet: start the camera first."); return; }
    if (box.some((v) => !Number.isFinite(v)) || box[2] - box[0] < 8 || box[3] - box[1] < 8) {
      this.say("The box must be at least 8 pixels wide and high: left before right, top above bottom.");
      return;
    }
    const message = { do: "box", what: $("box-what").value };
    for (const [k, side] of SIDES.entries()) message[side] = Math.max(0, box[k]);
    this.send(message);
  }

  // Place of the pointer in pixels of the picture, which is shown whole within the frame.
  place(event) {
    const area = $("frame").getBoundingClientRect();
    const [width, height] = this.picture;
    const scale = Math.min(area.width / width, area.height / height);
    const x = (event.clientX - area.left - (area.width - width * scale) / 2) / scale;
    const y = (event.clientY - area.top - (area.height - height * scale) / 2) / scale;
    return [Math.round(Math.max(0, Math.min(x, width))), Math.round(Math.max(0, Math.min(y, height)))];
  }

  down(event) {
    if (!this.open || !this.picture) return;
    event.preventDefault();
    $("frame").setPointerCapture(event.pointerId);
    this.from = this.place(event);
  }

  move(event) {
    if (!this.from) return;
    const [x, y] = this.place(event);
    const box = [Math.min(x, this.from[0]), Math.min(y, this.from[1]), Math.max(x, this.from[0]), Math.max(y, this.from[1])];
    for (const [k, side] of SIDES.entries()) $(`box-${side}`).value = String(box[k]);
    this.draft();
  }

  up(event) {
    if (!this.from) return;
    this.move(event);
    this.from = null;
    this.use();
  }

  draft() {
    const host = $("draft");
    const box = this.values();
    if (!this.open || !this.picture || box.some((v) => !Number.isFinite(v))) { host.replaceChildren(); return; }
    host.setAttribute("viewBox", `0 0 ${this.picture[0]} ${this.picture[1]}`);
    const place = { x: box[0], y: box[1], width: Math.max(box[2] - box[0], 0), height: Math.max(box[3] - box[1], 0) };
    host.replaceChildren(svg("rect", { ...place, class: "halo" }), svg("rect", { ...place, class: "draft" }));
  }
}
