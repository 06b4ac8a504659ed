// Sound while somebody is asked for and nobody has answered. Its state is always written out, and silence has an end.

import { levelToSound, pulseStarts, Schedule } from "./bursts.mjs";
import { button, make, setText } from "./elements.mjs";
import { _ } from "./language.mjs";

/** @import { Burst } from "./bursts.mjs" */
/** @import { Card } from "./types" */

const PAUSE_MS = 120_000;
const FUNDAMENTAL_HZ = 320;
const HARMONICS = [1, 0.8, 0.7, 0.6, 0.5]; // IEC 60601-1-8 asks for at least four, within 15 dB of the fundamental
const LOUDNESS = 0.12;

export class Sound {
  constructor() {
    /** @type {AudioContext | null} */
    this.context = null;
    this.pausedUntil = 0;
    this.schedule = new Schedule();
    this.button = button("", "sound", () => this.press());
    this.state = make("span");
    this.how = make("span", "how"); // a wall display leaves it out
    this.button.append(this.state, this.how);
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
      this.schedule.restart();
    } else this.pausedUntil = this.pausedUntil > Date.now() ? 0 : Date.now() + PAUSE_MS;
    this.turn();
  }

  /** @param {Card[]} cards */
  hear(cards) {
    this.schedule.hear(levelToSound(cards));
    this.turn();
  }

  turn() {
    const now = Date.now();
    const isOn = this.context?.state === "running";
    const isPaused = this.pausedUntil > now;
    const [state, how] = !this.context ? [_("Sound off"), _(": tap to turn on")]
      : !isOn ? [_("Sound blocked"), _(" by the browser")]
      : isPaused ? [_("Sound muted"), _(", {n} s left", { n: Math.ceil((this.pausedUntil - now) / 1000) })] : [_("Sound on"), ""];
    setText(this.state, state);
    setText(this.how, how);
    this.button.dataset.state = isOn && !isPaused ? "on" : "silent";
    this.button.title = isOn && !isPaused ? _("tap to mute for {n} min", { n: PAUSE_MS / 60_000 }) : _("tap to turn on");
    if (!this.context || !isOn || isPaused) return;
    const burst = this.schedule.take(now);
    if (burst) play(this.context, burst);
  }
}

/**
 * @param {AudioContext} context
 * @param {Burst} burst
 */
function play(context, burst) {
  for (const at of pulseStarts(burst)) {
    const from = context.currentTime + 0.05 + at / 1000;
    const to = from + burst.pulseMs / 1000;
    const loud = context.createGain();
    loud.gain.setValueAtTime(0, from);
    loud.gain.linearRampToValueAtTime(LOUDNESS, from + 0.02);
    loud.gain.setValueAtTime(LOUDNESS, to - 0.02);
    loud.gain.linearRampToValueAtTime(0, to);
    loud.connect(context.destination);
    HARMONICS.forEach((share, i) => {
      const tone = context.createOscillator();
      const part = context.createGain();
      tone.frequency.value = FUNDAMENTAL_HZ * (i + 1);
      part.gain.value = share / HARMONICS.length;
      tone.connect(part).connect(loud);
      tone.start(from);
      tone.stop(to);
    });
  }
}
