// A study's answer in words, and the picture behind it: what is late against what interrupts.

import { makeSvg } from "../shared/elements.mjs";

import { _, said } from "../shared/language.mjs";

/** @typedef {{ value: number | null, low: number | null, high: number | null }} Measured with its 95 % interval */
/** @typedef {{ name: string, kind: string, numbers: Record<string, number>, late: Measured, meets: boolean, on_front: boolean, interruptions_per_nurse_hour: Measured }} Variant */
/** @typedef {{ interruptions_per_nurse_hour: number, reached_share: number, reached_within_min: number, level: string }} Limit */
/** @typedef {{ headline: string, chosen: string | null, choice: { why: string, alike: string[] }, study: { limit: Limit }, rows: Variant[] }} Answer */

const TODAY = "today";
const LEFT = 74, WIDTH = 900, NAMES = 260, TOP = 14, HEIGHT = 260, BOTTOM = 46;
const TICKS = [0, 1, 2, 5, 10, 20, 50, 100, 200, 500];
const NAME_PX = 15; // between names

/**
 * The headline of a study's report in the reader's language, sentence by sentence.
 * @param {string} text
 */
export function inSentences(text) {
  return text.split(/(?<=\.) (?=[A-Z])/).map((one) => `${said(one.replace(/\.$/, ""))}.`).join(" ");
}

/**
 * What to do, in one sentence.
 * @param {Answer} answer
 */
export function choiceInWords({ chosen, choice }) {
  if (chosen === null) return _("No policy is recommended: {a}.", { a: said(choice.why) });
  if (chosen === TODAY) return _("Stay with today's policy.");
  return choice.alike.includes(TODAY) ? _("{name} is best by the numbers, but today's cannot be told apart from it: nothing here is a reason to change.", { name: chosen }) : _("Chosen: {name}.", { name: chosen });
}

/**
 * @param {Answer} answer
 * @param {(words: string) => void} tell is told what the pointer or the keyboard is at
 */
export function drawTradeoff({ rows, chosen, study: { limit } }, tell) {
  const known = rows.flatMap((row) => {
    const rate = row.interruptions_per_nurse_hour.value;
    return rate === null || row.late.value === null ? [] : [{ row, rate, late: row.late.value }];
  });
  const most = Math.max(limit.interruptions_per_nurse_hour, ...known.map((one) => one.rate)) * 1.1;
  const worst = Math.min(1, Math.max(1 - limit.reached_share, ...known.map((one) => one.late)) * 1.1);
  /** @param {number} rate */
  const x = (rate) => LEFT + Math.sqrt(Math.min(rate / most, 1)) * WIDTH; // few interruptions are what matters: they get the room
  /** @param {number} late */
  const y = (late) => TOP + (1 - Math.min(late / worst, 1)) * HEIGHT;
  const floor = TOP + HEIGHT;
  const svg = makeSvg("svg", { viewBox: `0 0 ${LEFT + WIDTH + NAMES} ${floor + BOTTOM}`, role: "group", "aria-label": _("Late needs against interruptions, a mark for each policy") });
  const goal = { x: LEFT, y: y(1 - limit.reached_share), width: x(limit.interruptions_per_nurse_hour) - LEFT, height: floor - y(1 - limit.reached_share) };
  svg.append(makeSvg("rect", { class: "goal", ...goal }));
  for (const rate of TICKS.filter((tick) => tick <= most)) {
    svg.append(makeSvg("line", { class: "hour", x1: x(rate), x2: x(rate), y1: TOP, y2: floor }), makeSvg("text", { class: "axis", x: x(rate), y: floor + 17, "text-anchor": "middle" }, String(rate)));
  }
  for (let percent = 0; percent <= worst * 100; percent += worst > 0.5 ? 20 : 5) {
    svg.append(makeSvg("line", { class: "hour", x1: LEFT, x2: LEFT + WIDTH, y1: y(percent / 100), y2: y(percent / 100) }), makeSvg("text", { class: "axis", x: LEFT - 8, y: y(percent / 100) + 4, "text-anchor": "end" }, `${percent} %`));
  }
  svg.append(makeSvg("text", { x: LEFT + WIDTH / 2, y: floor + 38, "text-anchor": "middle" }, _("interruptions per nurse-hour")));
  svg.append(makeSvg("text", { x: 14, y: TOP + HEIGHT / 2, "text-anchor": "middle", transform: `rotate(-90 14 ${TOP + HEIGHT / 2})` }, _("late ({a})", { a: said(limit.level) })));
  const front = known.filter((one) => one.row.on_front).sort((a, b) => a.rate - b.rate);
  svg.append(makeSvg("path", { class: "front", d: front.map((one, i) => (i ? `H${x(one.rate)}V${y(one.late)}` : `M${x(one.rate)} ${y(one.late)}`)).join("") }));
  /** @type {{ at: number, from: number, name: string, kind: string }[]} */
  const named = [];
  for (const { row, rate, late } of known) {
    const kind = row.name === chosen ? "chosen" : row.name === TODAY ? "today" : row.kind === "policy" ? "policy" : "alarm";
    const numbers = { name: said(row.name), a: rate.toPrecision(3) + between(row.interruptions_per_nurse_hour, 1, ""), b: `${(100 * late).toFixed(0)} %${between(row.late, 100, " %")}` };
    const words = _("{name}: interruptions per nurse-hour {a}, late {b}", numbers);
    const mark = makeSvg("path", { class: `variant ${kind}`, d: outline(kind, x(rate), y(late)), "aria-label": words, role: "img", ...(kind === "policy" ? {} : { tabindex: 0 }) });
    mark.addEventListener("pointerenter", () => tell(words));
    mark.addEventListener("focus", () => tell(words));
    if (kind !== "policy") {
      for (const bar of bars(row, rate, late, x, y)) svg.append(makeSvg("line", { class: `bar ${kind}`, ...bar }));
      named.push({ at: y(late), from: x(rate), name: row.name === chosen && chosen !== TODAY ? _("chosen: {name}", { name: row.name }) : row.name === TODAY ? (chosen === TODAY ? _("today, chosen") : _("today")) : said(row.name), kind });
    }
    svg.append(mark);
  }
  let next = TOP + 4;
  for (const one of named.sort((a, b) => a.at - b.at)) {
    const place = Math.max(next, one.at + 4);
    svg.append(makeSvg("line", { class: `lead ${one.kind}`, x1: one.from + 7, x2: LEFT + WIDTH + 6, y1: one.at, y2: place - 4 }), makeSvg("text", { class: one.kind, x: LEFT + WIDTH + 10, y: place }, one.name));
    next = place + NAME_PX;
  }
  return svg;
}

/**
 * @param {Measured} measured
 * @param {number} times
 * @param {string} unit
 */
function between({ low, high }, times, unit) {
  return low === null || high === null ? "" : _(" ({a} to {b})", { a: (times * low).toPrecision(2), b: (times * high).toPrecision(2) + unit });
}

/**
 * The 95 % intervals of a variant as lines.
 * @param {Variant} row
 * @param {number} rate
 * @param {number} late
 * @param {(rate: number) => number} x
 * @param {(late: number) => number} y
 */
function bars(row, rate, late, x, y) {
  const found = [];
  const across = row.interruptions_per_nurse_hour;
  if (across.low !== null && across.high !== null) found.push({ x1: x(across.low), x2: x(across.high), y1: y(late), y2: y(late) });
  if (row.late.low !== null && row.late.high !== null) found.push({ x1: x(rate), x2: x(rate), y1: y(row.late.low), y2: y(row.late.high) });
  return found;
}

/**
 * @param {string} kind
 * @param {number} x
 * @param {number} y
 */
function outline(kind, x, y) {
  if (kind === "chosen") return `M${x} ${y - 8}l8 8l-8 8l-8 -8z`;
  if (kind === "today") return `M${x - 6} ${y - 6}h12v12h-12z`;
  if (kind === "alarm") return `M${x} ${y - 6}l6 11h-12z`;
  return `M${x - 4} ${y}a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z`;
}
