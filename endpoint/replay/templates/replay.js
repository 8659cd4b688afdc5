(() => {
  "use strict";
  const $ = (id) => document.getElementById(id);
  const all = (selector) => [...document.querySelectorAll(selector)];
  const D = JSON.parse($("data").textContent);
  const [LEFT, RIGHT] = D.x;
  const last = D.steps.length - 1;
  const lastMl = D.steps[last][0];
  const ml = (value) => value.toFixed(2);
  const place = (value, low, high) => LEFT + ((value - low) / (high - low)) * (RIGHT - LEFT);
  const say = (element, text) => { if (element.textContent !== text) element.textContent = text; };

  function sayFormula(element, text) {
    const [first, ...rest] = text.split("CaCO3");
    const low = () => Object.assign(document.createElement("sub"), { textContent: "3" });
    element.replaceChildren(first, ...rest.flatMap((part) => ["CaCO", low(), part]));
  }

  // The scrubber -------------------------------------------------------------------------
  const scrubber = $("scrubber"), picture = $("picture"), liquid = $("liquid");
  const dots = all("#grown [data-v]").map((dot) => [dot, Number(dot.dataset.v)]);
  const half = 0.5 * (D.steps[1][0] - D.steps[0][0]);
  let shown = -1, isBlind = false;
  // With colours only, nothing but volume and colour may be seen or heard.
  const told = (k) => (isBlind ? `${ml(D.steps[k][0])} mL, ${D.steps[k][3]}` : D.steps[k][1]);
  function show(k) {
    const [volume, , hex, name, reading, index] = D.steps[k];
    const words = told(k);
    scrubber.value = k;
    scrubber.setAttribute("aria-valuetext", words);
    say($("volume"), ml(volume));
    say($("shade"), name);
    say($("reading"), isBlind ? "" : reading);
    say($("stop-volume") || document.createElement("span"), ml(volume));
    $("swatch").setAttribute("fill", hex);
    if (liquid) liquid.setAttribute("fill", hex);
    if (picture && index !== shown) {
      const p = D.pictures[index];
      picture.src = "data:image/jpeg;base64," + p.src;
      say($("picture-note"), `Picture at ${p.volume}.` + (p.aside ? ` It was set aside: ${p.aside}.` : ""));
      shown = index;
    }
    if (picture) picture.alt = "The flask at " + words;
    const x = place(volume, 0, lastMl);
    // A point belongs to the nearest step.
    for (const [dot, at] of dots) dot.toggleAttribute("hidden", at > volume + half);
    $("here").setAttribute("transform", `translate(${x - LEFT} 0)`);
  }
  for (const mark of all(".ends [data-at]")) mark.style.left = `${100 * mark.dataset.at}%`;
  const here = () => Number(scrubber.value);
  scrubber.addEventListener("input", () => { halt(); show(here()); });
  const onward = () => D.stops.find((k) => k > here());
  const backward = () => D.stops.filter((k) => k < here()).pop();
  // The slider tells its own value; what buttons do is told here.
  const tell = () => say($("told"), told(here()));
  $("on").addEventListener("click", () => { halt(); show(onward() ?? last); tell(); });
  $("back").addEventListener("click", () => { halt(); show(backward() ?? 0); tell(); });

  const blind = $("blind");
  function hideCurve(isHidden) {
    isBlind = isHidden;
    blind.setAttribute("aria-pressed", String(isHidden));
    document.body.classList.toggle("blind", isHidden);
    say($("told"), "");
    show(here());
  }
  blind.addEventListener("click", () => hideCurve(!isBlind));

  // Playing ------------------------------------------------------------------------------
  let timer = 0;
  const play = $("play");
  const pace = Math.min(700, Math.max(70, 20000 / D.stops.length));
  function halt() {
    clearInterval(timer);
    timer = 0;
    play.setAttribute("aria-pressed", "false");
    say(play, "Play");
  }
  play.addEventListener("click", () => {
    if (timer) { halt(); tell(); return; }
    if (here() >= last) show(0);
    play.setAttribute("aria-pressed", "true");
    say(play, "Pause");
    timer = setInterval(() => {
      const next = onward();
      if (next !== undefined) { show(next); return; }
      halt();
      tell();
    }, pace);
  });
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  function calmDown() {
    if (calm.matches) halt();
    play.hidden = calm.matches;
    $("still").hidden = !calm.matches;
  }
  calm.addEventListener("change", calmDown);
  calmDown();

  // Answers ------------------------------------------------------------------------------
  const answers = (name) => all(`[data-answer="${name}"]`);
  const isOpen = (name) => answers(name).some((part) => part.classList.contains("shown"));
  function reveal(name, isShown = true) {
    for (const part of answers(name)) part.classList.toggle("shown", isShown);
  }
  const showAll = $("show-all");
  showAll.addEventListener("click", () => {
    const on = showAll.getAttribute("aria-pressed") !== "true";
    showAll.setAttribute("aria-pressed", String(on));
    say(showAll, on ? "Hide the answers" : "Show all answers");
    document.body.classList.toggle("all", on);
  });
  for (const button of all("[data-reveal]")) {
    const name = button.dataset.reveal;
    const form = button.closest("form");
    const said = form.querySelector("[data-said]");
    form.addEventListener("submit", (event) => event.preventDefault());
    const picks = [...form.querySelectorAll("input")];
    form.addEventListener("change", () => {
      button.disabled = isOpen(name);
      if (!isOpen(name)) say(said, name === "control" ? "" : "Chosen. You can still change it.");
    });
    button.addEventListener("click", () => {
      reveal(name);
      if (name === "wrong") { hideCurve(false); openModel(false); }
      button.disabled = true;
      say(said, name === "control" ? flasksRight(picks) : chosenRight(form));
      answers(name).pop().focus();
    });
  }
  function chosenRight(form) {
    const choice = form.querySelector("input:checked").closest(".choice");
    return choice.querySelector("b").textContent.includes("Right") ? "You chose the right answer." : "You chose another answer; see why it is wrong.";
  }
  function flasksRight(picks) {
    const right = picks.filter((pick) => pick.checked === (pick.dataset.right === "yes")).length;
    return `${right} of ${picks.length} flasks agree with the model.`;
  }

  // Where would you stop? ------------------------------------------------------------------
  let guess = null, isKnown = false;
  const stop = $("stop-here");
  if (stop) {
    const guessed = $("guess"), ownRow = $("own-row");
    const move = (x) => guessed.setAttribute("transform", `translate(${x} 0)`);
    stop.addEventListener("click", () => {
      halt();
      guess = D.steps[here()][0];
      guessed.toggleAttribute("hidden", false);
      move(place(guess, 0, lastMl));
      $("stop-reveal").disabled = false;
      $("class-add").disabled = false;
      say($("stop-said"), `Your stop: ${ml(guess)} mL` + (isBlind ? "." : ", marked by a diamond at the foot of the curve."));
    });
    $("stop-reveal").addEventListener("click", () => {
      reveal("stop");
      isKnown = true;
      hideCurve(false);
      openModel(false);
      countStops();
      stop.disabled = true;
      $("stop-reveal").disabled = true;
      $("stop-again").hidden = false;
      sayFormula($("own-error"), judged(guess));
      drawOwn();
      $("own-error").focus();
    });
    $("stop-again").addEventListener("click", () => {
      reveal("stop", false);
      isKnown = false;
      guess = null;
      $("class-add").disabled = true;
      countStops();
      stop.disabled = false;
      $("stop-again").hidden = true;
      guessed.toggleAttribute("hidden", true);
      ownRow.toggleAttribute("hidden", true);
      $("own-drop").toggleAttribute("hidden", true);
      say($("own-error"), "");
      say($("stop-said"), "No stop chosen yet.");
      stop.focus();
    });
    const typed = $("class-stops");
    typed.addEventListener("input", countStops);
    $("class-add").addEventListener("click", () => {
      typed.value = `${typed.value.trim()} ${ml(guess)}`.trim();
      $("class-add").disabled = true;
      countStops();
    });
    function stopsOf(text) {
      const found = [], odd = [];
      for (const word of text.split(/[\s;]+/).filter(Boolean)) {
        // Many write a comma for the decimal point; one at the end only separates.
        const plain = word.replace(/,$/, "").replace(",", ".");
        const value = /^[0-9]*\.?[0-9]+$/.test(plain) ? Number(plain) : NaN;
        if (value > 0 && value <= 2 * lastMl && found.length < D.t.length) found.push(value);
        else odd.push(word);
      }
      return [found, odd];
    }
    function countStops() {
      const [stops, odd] = stopsOf(typed.value);
      const left = odd.length ? ` Left out: ${odd.slice(0, 3).join(", ").slice(0, 40)}${odd.length > 3 ? " and more" : ""}.` : "";
      const many = stops.length === 1 ? "1 stop." : `${stops.length || "No"} stops${stops.length ? "." : " yet."}`;
      say($("class-count"), many + left + (isKnown || stops.length > 1 ? "" : " Mean, scatter and bias are shown with the equivalence point."));
      const isShown = isKnown && stops.length > 1;
      $("class-result").hidden = !isShown;
      if (!isShown) return;
      const [mean, sd, half] = scatterOf(stops);
      sayFormula($("class-summary"), classWords(stops, mean, sd, half));
      drawStops(stops, mean, half);
    }
    function scatterOf(stops) {
      const n = stops.length;
      const mean = stops.reduce((sum, v) => sum + v, 0) / n;
      const sd = Math.sqrt(stops.reduce((sum, v) => sum + (v - mean) ** 2, 0) / (n - 1));
      return [mean, sd, D.t[n - 2] * sd / Math.sqrt(n)];
    }
    function classWords(stops, mean, sd, half) {
      const said = [`${stops.length} stops: mean ${ml(mean)} mL, from ${ml(Math.min(...stops))} to ${ml(Math.max(...stops))} mL. Scatter: standard deviation ${ml(sd)} mL.`];
      const end = D.marks.find(([key]) => key === "equivalence");
      if (!end) {
        const [low, high] = D.bracket;
        const inside = stops.filter((v) => v >= low && (high === null || v <= high)).length;
        said.push(`${inside} of them are inside the interval in which the end lies.`);
        return said.join(" ");
      }
      const bias = mean - end[2], amount = Math.abs(bias * D.per_ml);
      const [low, high] = [bias - half, bias + half];
      const signed = (v) => `${v < 0 ? "−" : "+"}${ml(Math.abs(v))}`;
      said.push(`Bias: on average ${ml(Math.abs(bias))} mL ${bias < 0 ? "before" : "after"} the equivalence volume (95 %: ${signed(low)} to ${signed(high)} mL), so the mean result is ${amount.toFixed(amount < 0.095 ? 3 : 1)} ${D.per_unit} too ${bias < 0 ? "low" : "high"}.`);
      said.push(low > 0 || high < 0 ? "More pupils would make the mean more certain, but would not take this bias away." : "The scatter is too wide to say that the class stops too early or too late.");
      const red = D.marks.find(([key]) => key === "last_red");
      if (red) {
        const away = ml(Math.abs(mean - red[2]));
        said.push(`A careful eye looks for the last red: the mean lies ${away === "0.00" ? "there" : `${away} mL ${mean < red[2] ? "before" : "after"} it`}.`);
      }
      return said.join(" ");
    }
    function drawStops(stops, mean, half) {
      const svg = $("class-chart");
      const marks = D.marks.filter(([key]) => key !== "midpoint");
      const places = [...stops, mean - half, mean + half, ...marks.map((mark) => mark[2]), ...(D.bracket || []).filter((v) => v !== null)];
      const pad = Math.max(0.05, 0.06 * (Math.max(...places) - Math.min(...places)));
      const low = Math.min(...places) - pad, high = Math.max(...places) + pad;
      const at = (v) => place(v, low, high);
      const made = (name, attributes, text) => {
        const element = document.createElementNS(svg.namespaceURI, name);
        for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
        if (text !== undefined) element.textContent = text;
        svg.append(element);
      };
      svg.replaceChildren();
      const step = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].find((s) => (high - low) / s <= 7) || 100;
      for (let k = Math.ceil(low / step); k * step <= high; k++) {
        made("path", { class: "grid", d: `M${at(k * step)} 8V104` });
        made("text", { class: "tick", x: at(k * step), y: 121, "text-anchor": "middle" }, (k * step).toFixed(step < 0.1 ? 2 : 1));
      }
      made("path", { class: "edge", d: `M${LEFT} 104H${RIGHT}` });
      for (const [key, , value] of marks) {
        const x = at(value);
        made("path", { class: "drop", d: `M${x} 8V104` });
        made("path", { class: "shape", d: key === "equivalence" ? `M${x - 6} 18h12l-6 -11Z` : `M${x - 5} 8h10v10h-10Z` });
      }
      const beads = [];
      for (const v of [...stops].sort((a, b) => a - b)) {
        const x = at(v);
        let row = 0;
        while (beads.some(([ox, or]) => or === row && Math.abs(ox - x) < 9)) row += 1;
        beads.push([x, row]);
        made("circle", { class: "dot", cx: x, cy: 98 - 9 * Math.min(row, 5), r: 4 });
      }
      const y = 34, x = at(mean);
      made("path", { class: "reach", d: `M${at(mean - half)} ${y}H${at(mean + half)}m0 -5v10M${at(mean - half)} ${y - 5}v10` });
      made("path", { class: "shape", d: `M${x} ${y - 7}l7 7l-7 7l-7 -7Z` });
      made("text", { class: "name", x: RIGHT, y: 143, "text-anchor": "end" }, "stop / mL");
      made("text", { class: "name", x: 0, y: 143 }, "● stop  ◇ mean, 95 %  △ equivalence  □ last red");
    }
    function drawOwn() {
      const [low, high] = D.around;
      const inside = Math.min(Math.max(guess, low), high);
      const x = place(inside, low, high);
      const beyond = guess < low ? "◀ " : guess > high ? "▶ " : "";
      ownRow.toggleAttribute("hidden", false);
      $("own-drop").toggleAttribute("hidden", beyond !== "");
      $("own-drop").setAttribute("transform", `translate(${x} 0)`);
      for (const part of ownRow.querySelectorAll("path")) part.setAttribute("transform", `translate(${x} 0)`);
      $("own-said").setAttribute("x", x < 180 ? x + 16 : 0);
      say($("own-said"), `${beyond}you ${ml(guess)} mL`);
    }
  }
  function judged(own) {
    const end = D.marks.find(([key]) => key === "equivalence");
    const said = [`You stopped at ${ml(own)} mL.`];
    if (!end) {
      const [low, high] = D.bracket;
      const isIn = own >= low && (high === null || own <= high);
      said.push(isIn ? "That is inside the interval in which the end lies." : "That is outside the interval in which the end lies.");
      return said.join(" ");
    }
    const off = own - end[2];
    const width = Math.abs(off).toFixed(2);
    if (width === "0.00") said.push("That is the equivalence volume, as near as a burette can be read.");
    else {
      const error = Math.abs(off * D.per_ml);
      const amount = error.toFixed(error < 0.095 ? 3 : 1);
      said.push(`That is ${width} mL ${off < 0 ? "before" : "after"} the equivalence volume: the result would come out ${amount} ${D.per_unit} too ${off < 0 ? "low" : "high"}.`);
    }
    const others = D.marks.filter(([key]) => key !== "equivalence").map(([, name, value]) => {
      const away = own - value;
      return Math.abs(away) < 0.005 ? `at the ${name}` : `${Math.abs(away).toFixed(2)} mL ${away < 0 ? "before" : "after"} the ${name}`;
    });
    if (others.length) said.push(`It is ${others.join(" and ")}.`);
    return said.join(" ");
  }

  // The model ------------------------------------------------------------------------------
  function openModel(withFocus) {
    if (!$("model-body")) return;
    reveal("model");
    $("model-locked").hidden = true;
    if (withFocus) $("model-body").focus();
  }
  if (D.model) model(D.model);
  function model(M) {
    $("model-open").addEventListener("click", () => openModel(true));
    const parts = {};
    for (const [name, text] of Object.entries(M.parts)) {
      const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
      parts[name] = new Uint16Array(bytes.buffer);
    }
    const keys = ["ph", "magnesium", "indicator"];
    const sliders = keys.map((key) => $("set-" + key));
    const volumes = M.volume_ml, count = volumes.length;
    const nearest = (v) => volumes.reduce((best, value, k) => (Math.abs(value - v) < Math.abs(volumes[best] - v) ? k : best), 0);
    const slider = $("set-volume");
    slider.max = count - 1;
    let scale = "around", timer = 0;
    const at = (name, set, k) => parts[name][((set[0] * M.magnesium.length + set[1]) * M.indicator.length + set[2]) * count + k] / 65535;
    const chosen = () => sliders.map((s) => Number(s.value));
    // The tables end at 16 bits: a part that reads 0 there is small, not absent.
    const percent = (part) => (part < 0.0005 ? "< 0.1" : part > 0.9995 ? "> 99.9" : (100 * part).toFixed(1)) + " %";
    const offset = (value) => {
      const off = value - M.equivalence_ml;
      return `${Math.abs(off).toFixed(2)} mL ${off < 0 ? "before" : "after"} the equivalence volume`;
    };
    function text(input, words) {
      input.setAttribute("aria-valuetext", words);
      say($(input.id.replace("set-", "out-")), words);
    }
    function draw() {
      const set = chosen(), v = Number(slider.value);
      const [low, high] = M.scales[scale], [bottom, top] = M.y;
      sliders.forEach((s, k) => text(s, s.dataset.texts.split("|")[set[k]]));
      text(slider, `${ml(volumes[v])} mL`);
      const inside = [...volumes.keys()].filter((k) => volumes[k] >= low - 1e-4 && volumes[k] <= high + 1e-4);
      for (const figure of all(".species")) {
        const metal = figure.dataset.chart;
        const below = new Float64Array(count);
        for (const part of M.bands[metal]) {
          const name = `${metal}_${part}`;
          const there = (k) => `${place(volumes[k], low, high).toFixed(2)} ${(bottom + Math.min(below[k], 1) * (top - bottom)).toFixed(2)}`;
          const foot = inside.map(there);
          for (let k = 0; k < count; k++) below[k] += at(name, set, k);
          const d = "M" + [...inside.map(there), ...foot.reverse()].join("L") + "Z";
          figure.querySelector(`[data-band="${part}"]`).setAttribute("d", d);
          const isAbsent = (metal === "magnesium" || part === "magnesium") && M.magnesium[set[1]] === 0;
          const isBefore = part === "edta" && volumes[v] === 0;
          say(figure.querySelector(`[data-part="${part}"]`), isAbsent ? "no magnesium" : isBefore ? "no EDTA yet" : percent(at(name, set, v)));
        }
        const x = place(Math.min(Math.max(volumes[v], low), high), low, high);
        figure.querySelector("[data-here]").setAttribute("transform", `translate(${x} 0)`);
        for (const ticks of figure.querySelectorAll("[data-ticks]")) ticks.toggleAttribute("hidden", ticks.dataset.ticks !== scale);
      }
      say($("model-doubt"), doubts(set));
      const free = at("indicator_free", set, v);
      const [hex, name] = M.shades[set[2]][Math.round(20 * free)];
      $("model-swatch").setAttribute("fill", hex);
      clearTimeout(timer);
      timer = setTimeout(() => say($("model-said"), summary(set, v, free, name)), 250);
    }
    // What the model does not know, where it matters.
    function doubts([p, m]) {
      const said = [];
      if (M.hydroxide[p][m]) said.push("At this pH and with this much magnesium, solid magnesium hydroxide can form.");
      if (M.orange[p] > 0.05) said.push(`At this pH, ${(100 * M.orange[p]).toFixed(0)} % of the free indicator is its orange form, so the end is not a pure blue.`);
      return said.join(" ");
    }
    function summary(set, v, free, name) {
      const base = ((set[0] * M.magnesium.length + set[1]) * M.indicator.length + set[2]) * M.levels.length;
      const level = (part) => M.level_ml[base + M.levels.indexOf(part)];
      const middle = level(0.5), end = level(0.95);
      const said = [`At ${ml(volumes[v])} mL: ${name}, ${percent(free)} of the indicator is free.`];
      said.push(middle === null ? "Half of the indicator was free from the start." : `Half is free ${offset(middle)}.`);
      said.push(end === null ? "95 % was free from the start." : `95 % is free ${offset(end)}.`);
      if (middle !== null && end !== null) said.push(`The second half of the change takes ${ml(end - middle)} mL.`);
      return said.join(" ");
    }
    for (const input of [...sliders, slider]) input.addEventListener("input", draw);
    $("model-back").addEventListener("click", () => {
      M.own.forEach((k, n) => { sliders[n].value = k; });
      slider.value = nearest(M.equivalence_ml);
      draw();
    });
    $("model-scale").addEventListener("click", (event) => {
      scale = scale === "around" ? "whole" : "around";
      event.currentTarget.setAttribute("aria-pressed", String(scale === "whole"));
      draw();
    });
    slider.value = nearest(M.equivalence_ml);
    draw();
  }

  // Printing -------------------------------------------------------------------------------
  for (const button of all("[data-print]")) {
    button.addEventListener("click", () => {
      document.documentElement.dataset.print = button.dataset.print;
      window.print();
    });
  }
  addEventListener("afterprint", () => { delete document.documentElement.dataset.print; });

  show(0);
})();
