// What was found on a bed's strip, and what holds and is kept quiet.

import { ifChanged, make } from "./elements.mjs";

const STAGES = { 1: "first", 2: "second" };

export class Findings {
  constructor() {
    this.root = make("section", "box facts");
    this.list = make("dl", "numbers wide");
    this.root.append(make("h2", "", "Findings"), this.list);
  }

  // labour: what the device says beside its signals; undefined when it has not sent since the page's server began.
  show(card, labour) {
    const rows = [
      ["FHR now", `${card.fhr} bpm`],
      ["Baseline", `${card.baseline} bpm`],
      ["Variability", `${card.variability} bpm`],
      ["Contractions", card.contractions],
      ["", card.contraction_rate],
      ["Deceleration running", card.running || "none"],
      ["Concern", card.concern === null ? "cannot be said" : `${card.concern.toFixed(0)} of 100`],
      ...card.concern_parts.map(([name, points]) => [`· ${name}`, `${points.toFixed(0)} points`]),
      ...card.classes.flatMap(([rules, name, criteria]) => [[rules, name], ...criteria.map((c) => ["·", c])]),
      ...card.held_back.map((text, place) => [place === 0 ? "Kept quiet" : "", text]),
      ["Stage of labour", STAGES[labour?.stage] ?? "not said by its device"],
      ["Gestation", labour?.weeks ? `${labour.weeks} completed weeks` : "not said by its device"],
      ["Mother's pulse", labour?.mothers_bpm ? `${labour.mothers_bpm.toFixed(0)} bpm` : "not measured"],
      ["Signal", `${card.signal}${card.signal_reason ? `: ${card.signal_reason}` : ""}`],
      ["Monitoring", card.source || "–"],
      ["Rules", card.rules || "–"],
    ];
    ifChanged(this.list, rows, () => {
      this.list.replaceChildren(...rows.flatMap(([name, value]) => [make("dt", "", name), make("dd", "", value)]));
    });
  }
}
