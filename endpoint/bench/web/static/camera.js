// The camera of the browser: pictures go out only as fast as the bench takes them.
const USUAL = { perSecond: 15, inFlight: 2, encoding: 1 };
const FAST = { perSecond: 30, inFlight: 8, encoding: 3 };
const LOST_MS = 1500;
const LONGEST = 1280;

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
    this.canvas = document.createElement("canvas");
  }

  get running() {
    return this.stream !== null;
  }

  async start(deviceId) {
    this.stop();
    const size = { width: { ideal: 1280 }, height: { ideal: 720 }, frameRate: { ideal: 30 } };
    const choice = deviceId ? { deviceId: { exact: deviceId } } : { facingMode: { ideal: "environment" } };
    try {
      this.stream = await navigator.mediaDevices.getUserMedia({ video: { ...size, ...choice }, audio: false });
    } catch (error) {
      const denied = error.name === "NotAllowedError";
      this.say(denied ? "The browser is not allowed to use the camera. Allow it next to the address."
        : "No camera was found. Plug one in and try again.");
      return false;
    }
    this.stream.getVideoTracks()[0].addEventListener("ended", () => {
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
      this.link.sendPicture(this.number, clock - taken, bytes);
    }, "image/jpeg", 0.92);
  }
}
