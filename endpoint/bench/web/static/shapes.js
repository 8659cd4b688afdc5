// Shapes of states and marks: they differ without colour.
const NS = "http://www.w3.org/2000/svg";

const SHAPES = {
  "long bar": ["*M6 38h88v24H6Z"],
  "three steps": ["M10 28h24v22h28v22h28", "M90 72v14"],
  "single drop": ["*M50 10C66 36 76 48 76 62a26 26 0 0 1-52 0C24 48 34 36 50 10Z"],
  "crossed circle": ["M50 14a36 36 0 1 1-.1 0Z", "M25 25 75 75"],
  "pen on a line": ["M14 86h72", "*M34 72 38 54 74 18 86 30 50 66Z"],
  hourglass: ["M24 12h52M24 88h52M30 12c0 26 40 26 40 76M70 12c0 26-40 26-40 76", "*M36 88c4-14 24-14 28 0Z"],
  square: ["*M20 20h60v60H20Z"],
  "arrow over a line": ["M40 12v76", "M8 50h80M70 30l20 20-20 20"],
  "broken square": ["M20 44V20h60v24M20 56v24h60V56"],
  "question mark": ["M32 34c0-26 38-26 38 0 0 16-19 16-19 34", "M51 84v3"],
  dash: ["M20 50h60"],
  good: ["M20 54 42 76 82 26"],
  wait: ["M50 16a34 34 0 1 1-.1 0Z", "M50 30v22l14 10"],
  doubt: ["M50 14 90 84H10Z", "M50 40v20M50 70v4"],
  fault: ["M24 24 76 76M76 24 24 76"],
  over: ["M50 16a34 34 0 1 1-.1 0Z", "M34 52 46 64 68 38"],
};

export const shapeNames = Object.keys(SHAPES);

export function svg(name, attributes = {}, children = []) {
  const node = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
  for (const child of children) node.append(child);
  return node;
}

// A path that begins with * is filled, the others are lines.
export function shape(name, label = "") {
  const parts = (SHAPES[name] ?? SHAPES.dash).map((d) => d.startsWith("*")
    ? svg("path", { d: d.slice(1), class: "solid" })
    : svg("path", { d, class: "line" }));
  const node = svg("svg", { viewBox: "0 0 100 100", class: "shape", "data-shape": name }, parts);
  if (label) {
    node.setAttribute("role", "img");
    node.setAttribute("aria-label", label);
  } else {
    node.setAttribute("aria-hidden", "true");
  }
  return node;
}

export function put(host, name) {
  if (host.dataset.shape === name) return;
  host.dataset.shape = name;
  host.replaceChildren(shape(name));
}

// Element with text and children.
export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "class") node.className = value;
    else if (value === true) node.setAttribute(key, "");
    else if (value !== false && value != null) node.setAttribute(key, String(value));
  }
  node.append(...children.filter((child) => child != null));
  return node;
}
