// What became of an answer on the Practice page: three rows below the strip, a score in parts, and every event explained.

import { make, makeSvg } from "/assets/shared/elements.mjs";
import { plain } from "/assets/shared/words.mjs";
import { minuteOf } from "./times.mjs";

/** @import { Compared, Found, LearnersMark, Line } from "./types" */

/** @typedef {{ what: string, from_s: number, until_s: number }} Event */
/** @typedef {{ name: string, events: (Event & { asked?: boolean })[] }} Row */

const ROW_PX = 20;
const CLASS = "Class";
/** Who says what is true. */
const TRUTHS = {
  simulation: "What is true is what the simulation knows.",
  marks: "What is true is what the marks beside the recording say; what they do not say is not asked for.",
  annotations: "What is true is what the annotations in the recording say; what they do not say is not asked for.",
  detector: "Nobody has marked this recording: your answer is compared with the detector's, which may be wrong.",
};

export class Comparison {
  /**
   * @param {Compared} compared
   * @param {LearnersMark[]} marks
   * @param {number} seconds length of the strip
   * @param {string[]} classes names of the rule set's classes
   */
  constructor(compared, marks, seconds, classes) {
    this.title = make("h2", "", `${compared.score} of 100`);
    this.title.tabIndex = -1;
    this.root = make("section", "box compared");
    const isSimulated = compared.truth === "simulation";
    this.root.append(this.title, parts(compared, classes), make("h2", "", isSimulated ? `It was: ${plain(compared.scenario)}` : `Recording: ${compared.scenario}`), make("p", "", TRUTHS[compared.truth]));
    if (compared.purpose) this.root.append(make("p", "", compared.purpose));
    if (compared.good_watcher) this.root.append(make("p", "", `A good watcher: ${compared.good_watcher}`));
    if (compared.note) this.root.append(make("p", "", `Your note: ${compared.note}`));
    this.root.append(make("h2", "", "Event by event"), eventTable(compared));
    const truth = isSimulated ? "True" : "Taken for true";
    this.rows = rows(
      [{ name: "You", events: marks }, { name: truth, events: compared.lines }, { name: "Detector", events: compared.detector_events }],
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
  const className = (rank) => (rank === null ? undefined : classes[rank - 1]) ?? "–";
  const concern = compared.concern === null ? "concern not known" : `concern ${compared.concern.toFixed(0)} of 100`;
  const detector = `${className(compared.detector_class)}; ${concern}: ${compared.detector_reasons.join(", ")}`;
  const cells = compared.parts.map((one) => {
    const words = one.name === CLASS ? [className(compared.rule_class), className(compared.true_class), detector] : [one.you, one.truth, one.detector];
    if (!one.most) words[1] = "not known";
    return [one.name, ...words, one.most ? `${one.points.toFixed(0)} of ${one.most}` : "not counted"];
  });
  table.append(tableRow("th", ["", "you", "true", "detector", "points"]), ...cells.map((one) => tableRow("td", one)));
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
  table.append(tableRow("th", ["when", "what it was", "you", "detector", "why"]));
  const nothing = "artefact";
  const found = [
    ...compared.lines.map((one) => ({ from_s: one.from_s, cells: [span(one), named(one), byYou(one), one.detector, one.why.join("; ")] })),
    ...compared.extra.map((one) => ({ from_s: one.from_s, cells: [span(one), nothing, `marked as ${named(one)}`, "", ""] })),
    ...compared.extra_of_detector.map((one) => ({ from_s: one.from_s, cells: [span(one), nothing, "", `marked as ${named(one)}`, ""] })),
  ];
  table.append(...found.sort((a, b) => a.from_s - b.from_s).map(({ cells }) => tableRow("td", cells)));
  return table;
}

/** @param {Line} line */
function byYou(line) {
  return line.asked ? line.you : `${line.you} (${line.why_not}; not counted)`;
}

/** @param {Pick<Found, "kind" | "what">} one */
function named(one) {
  return one.kind ? `${one.kind} ${one.what}` : one.what;
}

/** @param {Pick<Found, "from_s" | "until_s">} one */
function span(one) {
  return `${minuteOf(Math.max(0, one.from_s))} to ${minuteOf(one.until_s)}`;
}

/**
 * @param {Row[]} shown
 * @param {number} seconds
 */
function rows(shown, seconds) {
  const svg = makeSvg("svg", { viewBox: `0 0 ${seconds} ${shown.length * ROW_PX}`, preserveAspectRatio: "none", class: "lanes", role: "img", "aria-label": "Your marks, what is true, and what the detector found, one below the other; the table says the same in words" });
  const names = make("div", "lane-names");
  shown.forEach(({ name, events }, place) => {
    names.append(make("span", "", name));
    for (const one of events) {
      const from = Math.max(0, one.from_s);
      svg.append(makeSvg("rect", { class: `${one.what} ${one.asked === false ? "small" : ""}`, x: from, y: place * ROW_PX + 4, width: Math.max(3, one.until_s - from), height: ROW_PX - 8 }));
    }
  });
  svg.style.width = `${seconds / 60}cm`;
  const root = make("div", "lane-rows");
  root.append(svg, names);
  return root;
}
