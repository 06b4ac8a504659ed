// Sound while somebody is asked for and nobody has answered. Its state is always written out, and silence has an end.
//
// Pulses, their lengths, gaps and repeats lie within IEC 60601-1-8:2006 + A1 + A2, tables 3 and 4 (high, medium, low for
// team, bedside, look), as public descriptions of them give it; a fundamental with harmonics is asked for, too.

import { make, say } from "./elements.mjs";

const PAUSE_MS = 120_000;
const FUNDAMENTAL_HZ = 320;
const HARMONICS = [1, 0.8, 0.7, 0.6, 0.5]; // within 15 dB of the fundamental
const LOUDNESS = 0.12;
export const BURSTS = {
  team: { pulseMs: 150, spacingMs: 100, pulses: [3, 2, 3, 2], groupMs: [350, 700, 350], everyMs: 8000 },
  bedside: { pulseMs: 200, spacingMs: 200, pulses: [3], groupMs: [], everyMs: 15000 },
  look: { pulseMs: 200, spacingMs: 200, pulses: [2], groupMs: [], everyMs: 60000 },
};

// Start times of the pulses of one burst, in ms.
export function starts({ pulseMs, spacingMs, pulses, groupMs }) {
  const found = [];
  let at = 0;
  pulses.forEach((count, group) => {
    for (let i = 0; i < count; i++, at += pulseMs + spacingMs) found.push(at);
    at += (groupMs[group] ?? 0) - spacingMs;
  });
  return found;
}

// The highest level that somebody has not answered, or null. A bed nobody watches speaks like one to look at.
export function asks(cards) {
  const open = cards.filter((card) => !card.acknowledged_by).map((card) => card.state);
  if (open.includes("unwatched") && !open.includes("team") && !open.includes("bedside")) return "look";
  return Object.keys(BURSTS).find((level) => open.includes(level)) ?? null;
}

export class Sound {
  constructor() {
    this.context = null;
    this.pausedUntil = 0;
    this.level = null;
    this.spokeAt = -Infinity;
    this.button = make("button", "sound");
    this.button.type = "button";
    this.button.addEventListener("click", () => this.press());
    setInterval(() => this.turn(), 250);
    this.turn();
  }

  mount() {
    const place = document.getElementById("sound");
    if (place && this.button.parentNode !== place) place.append(this.button);
  }

  press() {
    if (!this.context) {
      this.context = new AudioContext(); // browsers allow it after a click only
      this.spokeAt = -Infinity;
    } else this.pausedUntil = this.pausedUntil > Date.now() ? 0 : Date.now() + PAUSE_MS;
    this.turn();
  }

  hear(cards) {
    const level = asks(cards);
    const louder = level && (!this.level || Object.keys(BURSTS).indexOf(level) < Object.keys(BURSTS).indexOf(this.level));
    if (louder) this.spokeAt = -Infinity;
    this.level = level;
    this.turn();
  }

  turn() {
    const now = Date.now();
    const on = this.context?.state === "running";
    const paused = this.pausedUntil > now;
    const words = !this.context ? "sound is off: press to hear"
      : !on ? "sound is blocked by the browser"
      : paused ? `sound pauses for ${Math.ceil((this.pausedUntil - now) / 1000)} s` : "sound is on";
    say(this.button, words);
    this.button.dataset.state = on && !paused ? "on" : "silent";
    this.button.title = on && !paused ? `press to pause it for ${PAUSE_MS / 60_000} minutes` : "press to hear";
    if (!on || paused || !this.level || now - this.spokeAt < BURSTS[this.level].everyMs) return;
    this.spokeAt = now;
    this.burst(BURSTS[this.level]);
  }

  burst(shape) {
    for (const at of starts(shape)) {
      const from = this.context.currentTime + 0.05 + at / 1000;
      const to = from + shape.pulseMs / 1000;
      const loud = this.context.createGain();
      loud.gain.setValueAtTime(0, from);
      loud.gain.linearRampToValueAtTime(LOUDNESS, from + 0.02);
      loud.gain.setValueAtTime(LOUDNESS, to - 0.02);
      loud.gain.linearRampToValueAtTime(0, to);
      loud.connect(this.context.destination);
      HARMONICS.forEach((share, i) => {
        const tone = this.context.createOscillator();
        const part = this.context.createGain();
        tone.frequency.value = FUNDAMENTAL_HZ * (i + 1);
        part.gain.value = share / HARMONICS.length;
        tone.connect(part).connect(loud);
        tone.start(from);
        tone.stop(to);
      });
    }
  }
}
