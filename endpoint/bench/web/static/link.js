// The socket to the bench. It comes back by itself when it breaks.
export class Link {
  constructor(hear) {
    this.hear = hear;
    this.socket = null;
    this.start = "";
    this.again = 250;
    this.open();
  }

  get ready() {
    return this.socket !== null && this.socket.readyState === WebSocket.OPEN;
  }

  open() {
    const socket = new WebSocket(`ws://${location.host}/bench${this.start && `?start=${this.start}`}`);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    socket.addEventListener("open", () => {
      this.again = 250;
      this.hear({ say: "linked" });
    });
    socket.addEventListener("message", (event) => {
      if (typeof event.data === "string") this.told(JSON.parse(event.data));
      else this.hear({ say: "preview", data: event.data });
    });
    socket.addEventListener("close", () => {
      this.hear({ say: "unlinked" });
      setTimeout(() => this.open(), this.again);
      this.again = Math.min(this.again * 2, 4000);
    });
  }

  told(message) {
    // A page left open while the program was started anew says so, and looks on.
    if (message.say === "state" && (this.start === "" || message.role === "operator")) this.start = message.start_id;
    this.hear(message);
  }

  send(command) {
    if (!this.ready) return false;
    this.socket.send(typeof command === "string" ? command : JSON.stringify(command));
    return true;
  }

  sendPicture(message) {
    this.socket.send(message);
  }
}
