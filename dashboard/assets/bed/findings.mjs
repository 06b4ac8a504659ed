// What was found on a bed's strip, and what holds and is suppressed.

import { ifChanged, make } from "../shared/elements.mjs";

/** @import { Card, LabourInfo, Twin } from "../shared/types" */

/** @type {Record<number, string>} */
const STAGES = { 1: "first", 2: "second" };
const NOT_SAID = "not sent by its monitor";

export class Findings {
  constructor() {
    this.root = make("section", "box facts");
    this.list = make("dl", "numbers wide");
    this.root.append(make("h2", "", "Findings"), this.list);
  }

  /**
   * @param {Card} card
   * @param {LabourInfo | undefined} labour undefined when the device has not sent since the page's server began
   */
  show(card, labour) {
    /** @type {[name: string, value: string][]} */
    const rates = [
      ["FHR now", `${card.fhr} bpm`],
      ["Baseline", `${card.baseline} bpm${sinceAnHour(card.baseline_trend)}`],
      ["Variability", `${card.variability} bpm${sinceAnHour(card.variability_trend)}`],
    ];
    /** @type {[name: string, value: string][]} */
    const rows = [
      ...(card.twins.length ? [] : rates),
      ["Contractions", card.contractions],
      ["", card.contraction_rate],
      ["Deceleration now", card.running || "none"],
      ["Concern", card.concern === null ? "cannot be said" : `${card.concern.toFixed(0)} of 100`],
    ];
    for (const twin of [...card.twins].reverse()) rows.unshift([twin.name, inNumbers(twin)]);
    for (const [name, points] of card.concern_parts) rows.push([`· ${name}`, `${points.toFixed(0)} points`]);
    for (const [rules, name, criteria] of card.classes) {
      rows.push([rules, name]);
      for (const criterion of criteria) rows.push(["·", criterion]);
    }
    card.held_back.forEach((text, place) => rows.push([place === 0 ? "Suppressed" : "", text]));
    rows.push(
      ["Stage of labour", STAGES[labour?.stage ?? 0] ?? NOT_SAID],
      ["Gestation", labour?.weeks ? `${labour.weeks} completed weeks` : NOT_SAID],
      ["Mother's pulse", labour?.mothers_bpm ? `${labour.mothers_bpm.toFixed(0)} bpm` : "not measured"],
      ["Signal", `${card.signal}${card.signal_reason ? `: ${card.signal_reason}` : ""}`],
      ["Monitoring", card.source || "–"],
      ["Rules", card.rules || "–"],
    );
    ifChanged(this.list, rows, () => {
      this.list.replaceChildren(...rows.flatMap(([name, value]) => [make("dt", "", name), make("dd", "", value)]));
    });
  }
}

/** @param {Twin} twin */
function inNumbers({ fhr, baseline, variability, concern, level, signal }) {
  const sum = concern === null ? "concern cannot be said" : `concern ${concern.toFixed(0)}`;
  return `${level}: ${fhr} bpm, baseline ${baseline}, variability ${variability}, ${sum}, signal ${signal}`;
}

/** @param {string} arrow */
function sinceAnHour(arrow) {
  return arrow && ` ${arrow} against an hour ago`;
}
