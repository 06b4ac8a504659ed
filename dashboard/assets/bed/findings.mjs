// What was found on a bed's strip, and what holds and is suppressed.

import { ifChanged, make } from "../shared/elements.mjs";
import { _, N_, said } from "../shared/language.mjs";

/** @import { Card, LabourInfo, Twin } from "../shared/types" */

/** @type {Record<number, string>} */
const STAGES = { 1: N_("first"), 2: N_("second") };
const NOT_SAID = N_("not sent by its monitor");

export class Findings {
  constructor() {
    this.root = make("section", "box facts");
    this.list = make("dl", "numbers wide");
    this.root.append(make("h2", "", _("Findings")), this.list);
  }

  /**
   * @param {Card} card
   * @param {LabourInfo | undefined} labour undefined when the device has not sent since the page's server began
   */
  show(card, labour) {
    /** @type {[name: string, value: string][]} */
    const rates = [
      [_("FHR now"), _("{n} bpm", { n: card.fhr })],
      [_("Baseline"), _("{n} bpm", { n: card.baseline }) + sinceAnHour(card.baseline_trend)],
      [_("Variability"), _("{n} bpm", { n: card.variability }) + sinceAnHour(card.variability_trend)],
    ];
    /** @type {[name: string, value: string][]} */
    const ofEach = card.twins.map((twin) => [said(twin.name), inNumbers(twin)]);
    /** @type {[name: string, value: string][]} */
    const rows = [
      ...(ofEach.length ? ofEach : rates),
      [_("Contractions"), said(card.contractions)],
      ["", said(card.contraction_rate)],
      [_("Deceleration now"), said(card.running || "none")],
      [_("Concern"), card.concern === null ? _("cannot be said") : _("{n} of 100", { n: card.concern.toFixed(0) })],
    ];
    for (const [name, points] of card.concern_parts) rows.push([`· ${said(name)}`, _("{n} points", { n: points.toFixed(0) })]);
    for (const [rules, name, criteria] of card.classes) {
      rows.push([rules, said(name)]);
      for (const criterion of criteria) rows.push(["·", said(criterion)]);
    }
    card.held_back.forEach((text, place) => rows.push([place === 0 ? _("Suppressed") : "", said(text)]));
    rows.push(
      [_("Stage of labour"), _(STAGES[labour?.stage ?? 0] ?? NOT_SAID)],
      [_("Gestation"), labour?.weeks ? _("{n} completed weeks", { n: labour.weeks }) : _(NOT_SAID)],
      [_("Mother's pulse"), labour?.mothers_bpm ? _("{n} bpm", { n: labour.mothers_bpm.toFixed(0) }) : _("not measured")],
      [_("Signal"), [card.signal, card.signal_reason].filter(Boolean).map(said).join(": ")],
      [_("Monitoring"), card.source || "–"],
      [_("Rules"), card.rules || "–"],
    );
    ifChanged(this.list, rows, () => {
      this.list.replaceChildren(...rows.flatMap(([name, value]) => [make("dt", "", name), make("dd", "", value)]));
    });
  }
}

/** @param {Twin} twin */
function inNumbers({ fhr, baseline, baseline_trend, variability, variability_trend, concern, level, signal }) {
  const sum = concern === null ? "concern cannot be said" : `concern ${concern.toFixed(0)}`;
  return said(`${level}: ${fhr} bpm, baseline ${baseline}${baseline_trend}, variability ${variability}${variability_trend}, ${sum}, signal ${signal}`);
}

/** @param {string} arrow */
function sinceAnHour(arrow) {
  return arrow && _(" {arrow} against an hour ago", { arrow });
}
