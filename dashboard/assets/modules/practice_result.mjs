// What became of an answer on the Practice page: three rows below the strip, a score in parts, and every event explained.

import { drawn, make, plain } from "./elements.mjs";
import { minuteOf } from "./practice_view.mjs";

const ROW = 20;
const LANES = [["you", "You"], ["truth", "True"], ["detector", "Detector"]];

export class Comparison {
  constructor(compared, marks, seconds, classes) {
    const title = make("h2", "", `${compared.score} of 100`);
    title.tabIndex = -1;
    this.root = make("section", "box compared");
    this.root.append(title, parts(compared, classes), make("h2", "", `It was: ${plain(compared.scenario)}`), make("p", "", compared.purpose), make("p", "", `A good watcher: ${compared.good_watcher}`));
    if (compared.note) this.root.append(make("p", "", `You wrote: ${compared.note}`));
    this.root.append(make("h2", "", "Event by event"), events(compared));
    this.lanes = lanes(compared, marks, seconds);
  }
}

function parts(compared, classes) {
  const table = make("table", "parts");
  const rows = compared.parts.map((one) => [one.name, one.you, one.truth, one.detector, `${one.points.toFixed(0)} of ${one.most}`]);
  const named = (rank) => classes[rank - 1] ?? "–";
  rows.push(["Class", named(compared.rule_class), "not known to the simulation", `${named(compared.detector_class)}; concern ${compared.concern.toFixed(0)} of 100: ${compared.detector_reasons.join(", ")}`, "not counted"]);
  table.append(row("th", ["", "you", "true", "detector", "points"]), ...rows.map((cells) => row("td", cells)));
  return table;
}

function row(tag, cells) {
  const line = make("tr");
  cells.forEach((text, i) => {
    const cell = make(i === 0 || tag === "th" ? "th" : "td", "", text);
    if (cell.tagName === "TH") cell.scope = tag === "th" ? "col" : "row";
    line.append(cell);
  });
  return line;
}

function events(compared) {
  const table = make("table", "events");
  table.append(row("th", ["when", "what it was", "you", "detector", "why"]));
  const lines = compared.lines.map((one) => ({ at: one.from_s, cells: [span(one), `${one.kind ? `${one.kind} ` : ""}${one.what}`, one.asked ? one.you : `${one.you} (${one.why_not}; not counted)`, one.detector, one.why.join("; ")] }));
  const extra = (found, who) => found.map((one) => ({ at: one.from_s, cells: [span(one), "nothing: the rate did not do this by itself", who === "you" ? marked(one) : "", who === "you" ? "" : marked(one), ""] }));
  for (const { cells } of [...lines, ...extra(compared.extra, "you"), ...extra(compared.extra_of_detector, "detector")].sort((a, b) => a.at - b.at)) {
    table.append(row("td", cells));
  }
  return table;
}

function marked(one) {
  return `marked as ${one.kind ? `${one.kind} ` : ""}${one.what}`;
}

function span(one) {
  return `${minuteOf(Math.max(0, one.from_s))} to ${minuteOf(one.until_s)}`;
}

function lanes(compared, marks, seconds) {
  const own = { you: marks, truth: compared.lines, detector: compared.detector_events };
  const svg = drawn("svg", { viewBox: `0 0 ${seconds} ${LANES.length * ROW}`, preserveAspectRatio: "none", class: "lanes", role: "img", "aria-label": "Your marks, what is true, and what the detector found, one below the other; the table says the same in words" });
  LANES.forEach(([who], place) => {
    for (const one of own[who]) {
      svg.append(drawn("rect", { class: `${one.what} ${one.asked === false ? "small" : ""}`, x: Math.max(0, one.from_s), y: place * ROW + 4, width: Math.max(3, one.until_s - Math.max(0, one.from_s)), height: ROW - 8 }));
    }
  });
  const root = make("div", "lane-rows");
  const names = make("div", "lane-names");
  for (const [, name] of LANES) names.append(make("span", "", name));
  root.append(svg, names);
  return root;
}
