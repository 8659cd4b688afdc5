// Tones and speech, both off until asked for. Pitch rises and beeps gather as the end comes near.
export class Sound {
  constructor() {
    this.tones = false;
    this.speech = false;
    this.level = 0.3;
    this.pattern = null;
    this.context = null;
    this.timer = 0;
    this.spoken = "";
  }

  setTones(on) {
    this.tones = on;
    if (on && !this.context) this.context = new AudioContext();
    if (on) this.context.resume();
    this.schedule();
  }

  setSpeech(on) {
    this.speech = on;
    this.spoken = "";
    if (!on && "speechSynthesis" in window) speechSynthesis.cancel();
  }

  guide(guidance) {
    const pattern = guidance ? guidance.tone : null;
    if (JSON.stringify(pattern) !== JSON.stringify(this.pattern)) {
      this.pattern = pattern;
      this.schedule();
    }
    if (guidance && this.speech && guidance.code !== this.spoken && "speechSynthesis" in window) {
      this.spoken = guidance.code;
      speechSynthesis.cancel();
      speechSynthesis.speak(new SpeechSynthesisUtterance(guidance.spoken));
    }
  }

  schedule() {
    clearInterval(this.timer);
    const pattern = this.pattern;
    if (!this.tones || !pattern || pattern.beeps === 0) return;
    this.play(pattern);
    this.timer = setInterval(() => this.play(pattern), Math.max(pattern.every_s, 0.3) * 1000);
  }

  play(pattern) {
    if (pattern.beeps < 0) {
      this.beep(pattern.pitch_hz, 0, pattern.every_s);
      return;
    }
    for (let k = 0; k < Math.min(pattern.beeps, 5); k += 1) this.beep(pattern.pitch_hz, k * 0.16, 0.1);
  }

  beep(pitch, after, length) {
    const start = this.context.currentTime + after;
    const tone = this.context.createOscillator();
    const gain = this.context.createGain();
    tone.type = "triangle";
    tone.frequency.value = pitch;
    gain.gain.setValueAtTime(0, start);
    gain.gain.linearRampToValueAtTime(this.level, start + 0.012);
    gain.gain.setValueAtTime(this.level, start + Math.max(length - 0.03, 0.02));
    gain.gain.linearRampToValueAtTime(0, start + length);
    tone.connect(gain).connect(this.context.destination);
    tone.start(start);
    tone.stop(start + length + 0.02);
  }
}
