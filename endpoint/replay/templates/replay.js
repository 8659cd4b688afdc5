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
  let shown = -1;
  function show(k) {
    const [volume, words, hex, name, reading, index] = D.steps[k];
    scrubber.value = k;
    scrubber.setAttribute("aria-valuetext", words);
    say($("volume"), ml(volume));
    say($("shade"), name);
    say($("reading"), reading);
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
  const tell = () => say($("told"), D.steps[here()][1]);
  $("on").addEventListener("click", () => { halt(); show(onward() ?? last); tell(); });
  $("back").addEventListener("click", () => { halt(); show(backward() ?? 0); tell(); });

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
  let guess = null;
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
      say($("stop-said"), `Your stop: ${ml(guess)} mL, marked by a diamond at the foot of the curve.`);
    });
    $("stop-reveal").addEventListener("click", () => {
      reveal("stop");
      openModel(false);
      stop.disabled = true;
      $("stop-reveal").disabled = true;
      $("stop-again").hidden = false;
      sayFormula($("own-error"), judged(guess));
      drawOwn();
      $("own-error").focus();
    });
    $("stop-again").addEventListener("click", () => {
      reveal("stop", false);
      guess = null;
      stop.disabled = false;
      $("stop-again").hidden = true;
      guessed.toggleAttribute("hidden", true);
      ownRow.toggleAttribute("hidden", true);
      $("own-drop").toggleAttribute("hidden", true);
      say($("own-error"), "");
      say($("stop-said"), "No stop chosen yet.");
      stop.focus();
    });
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
      const free = at("indicator_free", set, v);
      const [hex, name] = M.shades[set[2]][Math.round(20 * free)];
      $("model-swatch").setAttribute("fill", hex);
      clearTimeout(timer);
      timer = setTimeout(() => say($("model-said"), summary(set, v, free, name)), 250);
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
