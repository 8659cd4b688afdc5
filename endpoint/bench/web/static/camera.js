// The camera of the browser: pictures go out only as fast as the bench takes them.
const USUAL = { perSecond: 15, inFlight: 2, encoding: 1 };
const FAST = { perSecond: 30, inFlight: 8, encoding: 3 };
const LOST_MS = 1500;
const LONGEST = 1280;

// A picture with its number, its age and the clock of the page.
function messageOf(number, ageMs, bytes) {
  const message = new Uint8Array(12 + bytes.byteLength);
  const view = new DataView(message.buffer);
  message.set([0x45, 0x50, 0x46, 0x31]);
  view.setUint32(4, number, true);
  view.setUint16(8, Math.max(0, Math.min(1000, Math.round(ageMs))), true);
  // The bench learns from this how long a picture was on its way; 0 would mean "not stated".
  view.setUint16(10, (Math.round(performance.now()) % 65536) || 1, true);
  message.set(new Uint8Array(bytes), 12);
  return message;
}

export class Camera {
  constructor(link, video, say) {
    this.link = link;
    this.video = video;
    this.say = say;
    this.number = 0;
    this.pace = USUAL;
    this.flying = new Map();
    this.last = 0;
    this.busy = 0;
    this.stream = null;
    this.device = "";
    this.canvas = document.createElement("canvas");
  }

  get running() {
    return this.stream !== null;
  }

  // Starts a camera: the one named, else the one that was chosen last, else what the browser takes.
  async start(deviceId = "") {
    this.stop();
    const wanted = deviceId || (await this.remembered());
    try {
      this.stream = await this.opened(wanted ? { deviceId: { exact: wanted } } : { facingMode: { ideal: "environment" } });
    } catch (error) {
      const denied = error.name === "NotAllowedError";
      this.say(denied ? "The browser is not allowed to use the camera. Allow it next to the address."
        : error.name === "NotReadableError" ? "Another program uses this camera. Close it, or choose another camera."
          : "No camera was found. Plug one in and try again.");
      return false;
    }
    const track = this.stream.getVideoTracks()[0];
    this.device = track.getSettings?.().deviceId ?? wanted;
    if (deviceId) keep({ id: this.device, label: track.label });
    track.addEventListener("ended", () => {
      this.say("The camera was unplugged. Plug it in and start it again.");
      this.stop();
    });
    this.video.srcObject = this.stream;
    this.video.hidden = false;
    await this.video.play();
    this.say("");
    this.video.requestVideoFrameCallback((now, info) => this.step(now, info));
    return true;
  }

  opened(choice) {
    const size = { width: { ideal: 1280 }, height: { ideal: 720 }, frameRate: { ideal: 30 } };
    return navigator.mediaDevices.getUserMedia({ video: { ...size, ...choice }, audio: false });
  }

  // The camera that was chosen last, if it is plugged in; browsers may give it a new number.
  async remembered() {
    const last = kept();
    if (!last) return "";
    const all = await this.devices();
    return (all.find((d) => d.deviceId === last.id) ?? all.find((d) => d.label && d.label === last.label))?.deviceId ?? "";
  }

  stop() {
    if (this.stream) for (const track of this.stream.getTracks()) track.stop();
    this.stream = null;
    this.flying.clear();
  }

  async devices() {
    const all = await navigator.mediaDevices.enumerateDevices();
    return all.filter((device) => device.kind === "videoinput");
  }

  // Drops need every picture; for the colour half of them are enough.
  set fast(on) {
    this.pace = on ? FAST : USUAL;
  }

  seen(number) {
    this.flying.delete(number);
  }

  step(now, info) {
    if (!this.stream) return;
    this.video.requestVideoFrameCallback((next, more) => this.step(next, more));
    const clock = performance.now();
    for (const [number, since] of this.flying) if (clock - since > LOST_MS) this.flying.delete(number);
    const due = clock - this.last >= 1000 / this.pace.perSecond - 8;
    if (!due || this.busy >= this.pace.encoding || this.flying.size >= this.pace.inFlight || !this.link.ready) return;
    this.last = clock;
    this.take(info.captureTime ?? now);
  }

  take(taken) {
    const { videoWidth: width, videoHeight: height } = this.video;
    if (!width) return;
    const scale = Math.min(1, LONGEST / Math.max(width, height));
    this.canvas.width = Math.round(width * scale);
    this.canvas.height = Math.round(height * scale);
    this.canvas.getContext("2d").drawImage(this.video, 0, 0, this.canvas.width, this.canvas.height);
    this.busy += 1;
    this.canvas.toBlob(async (blob) => {
      const bytes = blob ? await blob.arrayBuffer() : null;
      this.busy -= 1;
      if (!bytes || !this.link.ready) return;
      this.number += 1;
      const clock = performance.now();
      this.flying.set(this.number, clock);
      this.link.sendPicture(messageOf(this.number, clock - taken, bytes), this.number);
    }, "image/jpeg", 0.92);
  }
}

const KEY = "endpoint camera";

function kept() {
  try { return JSON.parse(localStorage.getItem(KEY)); } catch { return null; }
}

function keep(device) {
  try { localStorage.setItem(KEY, JSON.stringify(device)); } catch { /* a browser that stores nothing */ }
}

// Fills a list with the cameras that are plugged in; it is hidden where there is only one.
export async function showCameras(camera, list, holder) {
  const found = await camera.devices();
  holder.hidden = found.length < 2;
  list.replaceChildren(...found.map((d, k) => new Option(d.label || `Camera ${k + 1}`, d.deviceId)));
  if (found.some((d) => d.deviceId === camera.device)) list.value = camera.device;
}
