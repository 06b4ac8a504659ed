// What became of an answer on the Practice page: three rows below the strip, a score in parts, and every event explained.

import { make, makeSvg } from "/assets/shared/elements.mjs";
import { _, N_, said } from "/assets/shared/language.mjs";
import { plain } from "/assets/shared/words.mjs";
import { named } from "./names.mjs";
import { minuteOf } from "./times.mjs";

/** @import { Compared, Found, LearnersMark, Line } from "./types" */

/** @typedef {{ what: string, from_s: number, until_s: number }} Event */
/** @typedef {{ name: string, events: (Event & { asked?: boolean })[] }} Row */

const ROW_PX = 20;
const CLASS = "Class";
/** Who says what is true. */
const TRUTHS = {
  simulation: N_("The simulation knows what is true."),
  marks: N_("The marks beside the recording say what is true; what they do not say is not asked for."),
  annotations: N_("The annotations in the recording say what is true; what they do not say is not asked for."),
  detector: N_("Nobody has marked this recording: your answer is compared with the detector's, which may be wrong."),
};

export class Comparison {
  /**
   * @param {Compared} compared
   * @param {LearnersMark[]} marks
   * @param {number} seconds length of the strip
   * @param {string[]} classes names of the rule set's classes
   */
  constructor(compared, marks, seconds, classes) {
    this.title = make("h2", "", _("{a} of {b}", { a: compared.score, b: 100 }));
    this.title.tabIndex = -1;
    this.root = make("section", "box compared");
    const isSimulated = compared.truth === "simulation";
    this.root.append(this.title, parts(compared, classes), make("h2", "", isSimulated ? _("It was: {name}", { name: plain(compared.scenario) }) : _("Recording: {name}", { name: compared.scenario })), make("p", "", _(TRUTHS[compared.truth])));
    if (compared.purpose) this.root.append(make("p", "", compared.purpose));
    if (compared.good_watcher) this.root.append(make("p", "", _("A good observer: {note}", { note: compared.good_watcher })));
    if (compared.note) this.root.append(make("p", "", _("Your note: {note}", { note: compared.note })));
    this.root.append(make("h2", "", _("Event by event")), eventTable(compared));
    const truth = isSimulated ? _("True") : _("Taken as true");
    this.rows = rows(
      [{ name: _("You"), events: marks }, { name: truth, events: compared.lines }, { name: _("Detector"), events: compared.detector_events }],
      seconds,
    );
  }
}

/**
 * @param {Compared} compared
 * @param {string[]} classes
 */
function parts(compared, classes) {
  const table = make("table", "parts");
  /** @param {number | null} rank */
  const className = (rank) => said((rank === null ? undefined : classes[rank - 1]) ?? "–");
  const concern = compared.concern === null ? _("concern not known") : _("concern {n} of 100", { n: compared.concern.toFixed(0) });
  const detector = `${className(compared.detector_class)}; ${concern}: ${compared.detector_reasons.map(said).join(", ")}`;
  const cells = compared.parts.map((one) => {
    const words = one.name === CLASS ? [className(compared.rule_class), className(compared.true_class), detector] : [one.you, one.truth, one.detector].map(said);
    if (!one.most) words[1] = _("not known");
    return [said(one.name), ...words, one.most ? _("{a} of {b}", { a: one.points.toFixed(0), b: one.most }) : _("not counted")];
  });
  table.append(tableRow("th", ["", _("you"), _("true"), _("detector"), _("points")]), ...cells.map((one) => tableRow("td", one)));
  return table;
}

/**
 * @param {"th" | "td"} tag
 * @param {string[]} cells
 */
function tableRow(tag, cells) {
  const line = make("tr");
  cells.forEach((text, i) => {
    const cell = make(i === 0 ? "th" : tag, "", text);
    if (cell.tagName === "TH") cell.scope = tag === "th" ? "col" : "row";
    line.append(cell);
  });
  return line;
}

/** @param {Compared} compared */
function eventTable(compared) {
  const table = make("table", "events");
  table.append(tableRow("th", [_("when"), _("what it was"), _("you"), _("detector"), _("why")]));
  const nothing = _("artefact");
  const events = [
    ...compared.lines.map((one) => ({ from_s: one.from_s, cells: [span(one), named(one), byYou(one), said(one.detector), one.why.map(said).join("; ")] })),
    ...compared.extra.map((one) => ({ from_s: one.from_s, cells: [span(one), nothing, _("marked as {what}", { what: named(one) }), "", ""] })),
    ...compared.extra_of_detector.map((one) => ({ from_s: one.from_s, cells: [span(one), nothing, "", _("marked as {what}", { what: named(one) }), ""] })),
  ];
  table.append(...events.sort((a, b) => a.from_s - b.from_s).map(({ cells }) => tableRow("td", cells)));
  return table;
}

/** @param {Line} line */
function byYou(line) {
  return line.asked ? said(line.you) : _("{you} ({why_not}; not counted)", { you: said(line.you), why_not: said(line.why_not) });
}

/** @param {Pick<Found, "from_s" | "until_s">} one */
function span(one) {
  return _("{from} to {until}", { from: minuteOf(Math.max(0, one.from_s)), until: minuteOf(one.until_s) });
}

/**
 * @param {Row[]} shown
 * @param {number} seconds
 */
function rows(shown, seconds) {
  const svg = makeSvg("svg", { viewBox: `0 0 ${seconds} ${shown.length * ROW_PX}`, preserveAspectRatio: "none", class: "mark-rows", role: "img", "aria-label": _("Your marks, what is true, and what the detector found, one below the other; the table says the same in words") });
  const names = make("div", "mark-names");
  shown.forEach(({ name, events }, place) => {
    names.append(make("span", "", name));
    for (const one of events) {
      const from = Math.max(0, one.from_s);
      svg.append(makeSvg("rect", { class: `${one.what} ${one.asked === false ? "small" : ""}`, x: from, y: place * ROW_PX + 4, width: Math.max(3, one.until_s - from), height: ROW_PX - 8 }));
    }
  });
  svg.style.width = `${seconds / 60}cm`;
  const root = make("div", "mark-picture");
  root.append(svg, names);
  return root;
}
