// The page of a telephone: its camera's pictures, or a film, to the bench and nowhere else.
import { Camera, showCameras } from "/static/camera.js";

const $ = (id) => document.getElementById(id);
const AGAIN_MS = 1000;

// Takes pictures as the bench does; each is a request of its own, whose answer says it came in.
class Post {
  constructor() {
    this.broken = 0;
    this.sent = 0;
  }

  get ready() {
    return performance.now() >= this.broken;
  }

  async sendPicture(message, number) {
    try {
      const answer = await fetch("/picture", { method: "POST", body: message, signal: AbortSignal.timeout(5000) });
      if (answer.status === 403) { camera.stop(); lost("The computer no longer knows this telephone. Open a new code from its terminal."); return; }
      const told = await answer.json();
      if (answer.ok) this.sent += 1;
      else this.broken = performance.now() + AGAIN_MS;
      say(told.text);
    } catch {
      this.broken = performance.now() + AGAIN_MS;
      say("The computer does not answer. It is tried again.");
    } finally {
      camera.seen(number);
    }
  }
}

const post = new Post();
const camera = new Camera(post, $("video"), say);
let awake = null;

function say(text) {
  if ($("note").textContent !== text) $("note").textContent = text;
}

function lost(text) {
  say(text);
  show();
}

function show() {
  const on = camera.running;
  const state = $("state");
  const words = on ? "Sending pictures." : "Nothing is sent.";
  if (state.textContent !== words) state.textContent = words;
  state.dataset.sending = on ? "yes" : "no";
  $("stop").hidden = !on;
  $("start").hidden = on;
  $("video").hidden = !on;
  $("no-picture").hidden = on;
  document.body.dataset.sent = String(post.sent);
}

async function start(device) {
  if (!(await camera.start(device))) { show(); return; }
  await showCameras(camera, $("cameras"), $("choice"));
  show();
  $("stop").focus();
  // A telephone that goes to sleep stops filming.
  try { awake = await navigator.wakeLock.request("screen"); } catch { awake = null; }
}

function stop() {
  camera.stop();
  if (awake) awake.release();
  awake = null;
  show();
}

$("start").addEventListener("click", () => start());
$("stop").addEventListener("click", () => { stop(); say(""); $("start").focus(); });
$("cameras").addEventListener("change", (event) => start(event.target.value));
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && camera.running) start(camera.device);
});
setInterval(show, 1000);

let request = null;
$("send-film").addEventListener("click", () => {
  const [film] = $("film").files;
  const note = $("film-note");
  if (!film) { note.textContent = "Choose a film first."; $("film").focus(); return; }
  stop();
  request = new XMLHttpRequest();
  request.open("POST", "/film");
  request.upload.addEventListener("progress", (event) => { $("progress").value = event.loaded / (event.total || 1); });
  request.addEventListener("loadend", () => {
    let told = request.status === 413 ? "The film is larger than 4 GB. Send a shorter one." : "The film did not arrive. Send it again.";
    try { told = JSON.parse(request.responseText).text; } catch { /* no answer of the bench */ }
    note.textContent = told;
    $("sending").hidden = $("cancel").hidden = true;
    $("send-film").disabled = false;
    $("send-film").focus();
  });
  $("sending").hidden = $("cancel").hidden = false;
  $("progress").value = 0;
  $("send-film").disabled = true;
  note.textContent = "Sending the film.";
  request.send(film);
});
$("cancel").addEventListener("click", () => request?.abort());
show();
