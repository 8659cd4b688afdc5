// The preview of colour vision: matrices of the bench as filters over the whole page.
import { svg } from "/static/shapes.js";

export async function startVision(select, defs) {
  const answer = await fetch("/vision.json");
  const matrices = await answer.json();
  for (const [name, rows] of Object.entries(matrices)) {
    const values = [...rows.map((row) => [...row, 0, 0].join(" ")), "0 0 0 1 0"].join(" ");
    defs.append(svg("filter", { id: `vision-${name}`, "color-interpolation-filters": "linearRGB", x: 0, y: 0, width: 1, height: 1 },
      [svg("feColorMatrix", { type: "matrix", values })]));
  }
  select.addEventListener("change", () => {
    document.documentElement.style.filter = select.value ? `url(#vision-${select.value})` : "";
  });
}
