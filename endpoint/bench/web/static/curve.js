// The growing curve: colour between the red and the blue form against delivered volume.
import uPlot from "/static/vendor/uPlot.esm.js";

const RED = 0.2;
const NEAR_ML = 1.5;

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export class Curve {
  constructor(host, size) {
    this.host = host;
    this.size = size;
    this.points = [];
    this.document = null;
    this.plot = null;
    new ResizeObserver(() => this.resize()).observe(host);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.make());
    this.make();
  }

  box() {
    const style = getComputedStyle(this.host);
    return { width: Math.max(this.host.clientWidth, 120), height: Math.max(parseFloat(style.height) || 240, 140) };
  }

  data() {
    return [this.points.map((p) => p[0]), this.points.map((p) => p[1])];
  }

  make() {
    if (this.plot) this.plot.destroy();
    const ink = css("--ink");
    const soft = css("--soft");
    const line = css("--hair");
    const font = `${this.size}px system-ui, sans-serif`;
    const axis = { stroke: soft, font, labelFont: font, ticks: { stroke: line, width: 1 }, grid: { stroke: line, width: 1 } };
    const options = {
      ...this.box(),
      legend: { show: false },
      cursor: { show: false },
      scales: {
        x: { time: false, range: () => this.range() },
        y: { range: [-0.06, 1.06] },
      },
      axes: [
        { ...axis, space: this.size * 4.5, label: "delivered, mL", labelSize: this.size * 1.7, size: this.size * 2.6 },
        { ...axis, size: this.size * 6.1, splits: () => [0, 0.5, 1], values: () => ["red form", "half way", "blue form"] },
      ],
      series: [{}, {
        stroke: ink, width: 1.5,
        points: { show: true, size: this.size * 0.55, width: 1.5, stroke: ink, fill: css("--paper") },
      }],
      hooks: { draw: [(plot) => this.mark(plot)] },
    };
    this.plot = new uPlot(options, this.data(), this.host);
  }

  // Volumes to show: the whole titration until the colour changes, then only what is near the change.
  range() {
    const last = this.points.length ? this.points[this.points.length - 1][0] : 0;
    const top = Math.max(last, this.end() ?? 0, 1);
    const red = this.points.findLast((p) => p[1] < RED)?.[0] ?? 0;
    const changes = this.points.some((p) => p[1] >= RED && p[0] > red);
    const low = changes ? Math.max(0, Math.min(red, this.end() ?? red) - NEAR_ML) : 0;
    return [low, top + 0.05 * (top - low)];
  }

  end() {
    const end = this.document && this.document.equivalence_ml;
    return end ? end.value ?? null : null;
  }

  // The endpoint as a line with its interval and its name.
  mark(plot) {
    const found = this.document && this.document.equivalence_ml;
    if (!found || !found.interval95) return;
    const [low, high] = found.interval95;
    const c = plot.ctx;
    const { top, height } = plot.bbox;
    const ratio = devicePixelRatio;
    c.save();
    c.strokeStyle = c.fillStyle = css("--ink");
    if (low != null && high != null) {
      const a = plot.valToPos(low, "x", true);
      const b = plot.valToPos(high, "x", true);
      c.globalAlpha = 0.14;
      c.fillRect(Math.min(a, b - 2), top, Math.max(b - a, 2), height);
      c.globalAlpha = 1;
    }
    if (found.value != null) {
      const x = plot.valToPos(found.value, "x", true);
      c.setLineDash([6 * ratio, 4 * ratio]);
      c.lineWidth = 1.5 * ratio;
      c.beginPath();
      c.moveTo(x, top);
      c.lineTo(x, top + height);
      c.stroke();
      c.font = `600 ${this.size * ratio}px system-ui, sans-serif`;
      c.textAlign = "right";
      c.fillText(`endpoint ${found.value.toFixed(2)} mL`, x - 6 * ratio, top + 1.3 * this.size * ratio);
    }
    c.restore();
  }

  resize() {
    const box = this.box();
    if (this.plot && (box.width !== this.plot.width || box.height !== this.plot.height)) this.plot.setSize(box);
  }

  show(points, document) {
    this.points = points;
    this.document = document;
    this.resize();
    this.plot.setData(this.data());
    const last = points[points.length - 1];
    const end = this.end();
    this.host.setAttribute("aria-label", last
      ? `Curve of ${points.length} points up to ${last[0].toFixed(2)} mL, ${Math.round(100 * last[1])} % of the way `
        + `from the red to the blue form.${end == null ? "" : ` Endpoint at ${end.toFixed(2)} mL.`}`
      : "No curve yet");
  }
}
