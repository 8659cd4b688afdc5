// Tones and speech, both off until asked for. Pitch and pace rise as the endpoint comes near.
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
    const word = guidance ? wordOf(guidance) : "";
    if (guidance && this.speech && word !== this.spoken && "speechSynthesis" in window) {
      this.spoken = word;
      speechSynthesis.cancel();
      speechSynthesis.speak(new SpeechSynthesisUtterance(guidance.spoken));
    }
  }

  schedule() {
    clearInterval(this.timer);
    const pattern = this.pattern;
    if (!this.tones || !pattern || pattern.pulses === 0) return;
    const length = pattern.pulses / Math.max(pattern.beats_per_s, 0.5) + pattern.rest_s;
    this.play(pattern);
    this.timer = setInterval(() => this.play(pattern), Math.max(length, 0.4) * 1000);
  }

  play(pattern) {
    const beat = 1 / Math.max(pattern.beats_per_s, 0.5);
    for (let k = 0; k < Math.min(pattern.pulses, 12); k += 1) {
      const pitch = pattern.pitch_hz[Math.min(k, pattern.pitch_hz.length - 1)];
      this.beep(pitch, k * beat, Math.min(0.6 * beat, 0.25));
    }
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

// What is said once: a countdown is one word, another amount is another.
export function wordOf(guidance) {
  return `${guidance.code} ${guidance.amount_ml ?? ""} ${guidance.rate_ml_min ?? ""}`;
}
