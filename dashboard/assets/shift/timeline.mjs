// The flags of all beds side by side, as a drawing.

import { hatchPattern, make, makeSvg } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { duration, timeOf } from "../shared/words.mjs";

/** @import { Level } from "../shared/types" */

/** Seconds before the bed's own now; now: ms by its clock. nothing: from when to when there are no data.
 * @typedef {object} BedShift
 * @property {string} bed
 * @property {number} now
 * @property {number} since_s
 * @property {{ from_s: number, until_s: number, level: Exclude<Level, "quiet" | "noted">, waits: boolean, text: string, of_second: boolean }[]} flags
 * @property {[from: number, until: number][]} nothing
 * @property {{ at_s: number, what: string, by: string }[]} done
 * @property {number} calls
 * @property {number | null} longest_wait_s
 * @property {number | null} waits_s
 */
/** @typedef {(words: string) => void} Say */

const LEFT = 110, WIDTH = 1120, RIGHT = 190, TOP = 26;
const SECOND = 0.62; // height of the part of a second twin, of a row
const HEIGHTS = { look: 0.28, bedside: 0.42, team: 0.58 }; // of a row
const NARROW_FROM = 12; // more beds than this have lower rows

/**
 * @param {number} hours
 * @param {BedShift[]} beds
 * @param {Say} tell is told what the pointer or the keyboard is at
 */
export function timeline(hours, beds, tell) {
  const rowPx = beds.length > NARROW_FROM ? 24 : 34;
  const heights = beds.map((bed) => (haveTwins(bed) ? 1 + SECOND : 1) * rowPx);
  const height = TOP + heights.reduce((sum, one) => sum + one, 0) + 6;
  /** @param {number} s */
  const x = (s) => LEFT + (1 + s / (hours * 3600)) * WIDTH;
  const svg = makeSvg("svg", { viewBox: `0 0 ${LEFT + WIDTH + RIGHT} ${height}`, role: "group", "aria-label": _("Flags of all beds") });
  svg.append(hatchPattern("nothing"));
  const step = hours > 12 ? 2 : hours > 4 ? 1 : hours > 1 ? 0.5 : 0.25;
  for (let ago = 0; ago <= hours; ago += step) {
    const at = x(-ago * 3600);
    const words = ago === 0 ? _("now") : `−${ago < 1 ? _("{n} min", { n: ago * 60 }) : _("{n} h", { n: ago })}`;
    svg.append(makeSvg("line", { class: "hour", x1: at, x2: at, y1: TOP - 4, y2: height }), makeSvg("text", { class: "axis", x: at, y: TOP - 10, "text-anchor": "middle" }, words));
  }
  svg.append(makeSvg("text", { class: "axis", x: LEFT + WIDTH + 24, y: TOP - 10 }, _("calls, longest wait")));
  let y = TOP;
  beds.forEach((bed, i) => {
    svg.append(rowOf(bed, y, rowPx, x, tell));
    y += heights[i] ?? 0;
  });
  return svg;
}

/** Of twins each has a line of flags, so that none covers another. @param {BedShift} bed */
const haveTwins = (bed) => bed.flags.some((flag) => flag.of_second);

/**
 * @param {BedShift} bed
 * @param {number} y
 * @param {number} rowPx
 * @param {(second: number) => number} x
 * @param {Say} tell
 */
function rowOf(bed, y, rowPx, x, tell) {
  const floor = y + rowPx - 7;
  const group = makeSvg("g", {});
  const link = makeSvg("a", { href: `/bed/${bed.bed}` });
  link.append(makeSvg("text", { class: "name", x: LEFT - 12, y: floor - 2, "text-anchor": "end" }, bed.bed));
  group.append(link, makeSvg("line", { class: "rest", x1: x(bed.since_s), x2: x(0), y1: floor, y2: floor }));
  const floorOfSecond = floor + SECOND * rowPx;
  if (haveTwins(bed)) {
    group.append(makeSvg("line", { class: "rest", x1: x(bed.since_s), x2: x(0), y1: floorOfSecond, y2: floorOfSecond }));
    [floor, floorOfSecond].forEach((bottom, i) => group.append(makeSvg("text", { class: "axis twin", x: LEFT - 5, y: bottom - 1, "text-anchor": "middle" }, String(i + 1))));
  }
  /** @param {number} s */
  const time = (s) => timeOf(bed.now + s * 1000);
  /** @param {SVGElement} element @param {string} words */
  const add = (element, words) => {
    for (const [name, value] of Object.entries({ tabindex: "0", role: "img", "aria-label": words })) element.setAttribute(name, value);
    element.append(makeSvg("title", {}, words));
    for (const event of ["pointerenter", "focus"]) element.addEventListener(event, () => tell(words));
    group.append(element);
  };
  for (const [from, until] of bed.nothing) {
    const gap = makeSvg("rect", { class: "gap", fill: "url(#nothing)", x: x(from), y: y + 3, width: Math.max(2, x(until) - x(from)), height: rowPx - 10 });
    add(gap, _("{bed}, {from} to {until}: no data; nobody watched, or no signal came", { bed: bed.bed, from: time(from), until: time(until) }));
  }
  for (const one of bed.flags) {
    const size = HEIGHTS[one.level] * rowPx;
    const flag = makeSvg("rect", { class: `flag ${one.level}${one.waits ? "" : " answered"}`, x: x(one.from_s), y: (one.of_second ? floorOfSecond : floor) - size, width: Math.max(2, x(one.until_s) - x(one.from_s)), height: size });
    const times = { bed: bed.bed, from: time(one.from_s), until: one.until_s === 0 ? _("now") : time(one.until_s) };
    const words = { ...times, level: said(one.level), text: said(one.text) };
    add(flag, one.waits ? _("{bed}, {from} to {until}, {level}, unanswered: {text}", words) : _("{bed}, {from} to {until}, {level}, answered: {text}", words));
  }
  for (const one of bed.done) {
    add(makeSvg("path", { class: "done", d: `M${x(one.at_s)} ${floor + 1}l4 6h-8z` }), `${bed.bed}, ${time(one.at_s)}: ${said(one.what)}, ${one.by}`);
  }
  const waits = bed.longest_wait_s === null ? "" : `, ${duration(bed.longest_wait_s)}`;
  const now = bed.waits_s === null ? "" : _(" · waits now");
  group.append(makeSvg("text", { class: bed.waits_s === null ? "sum" : "sum waits", x: LEFT + WIDTH + 24, y: floor - 2 }, `${bed.calls}${waits}${now}`));
  return group;
}

export function legend() {
  const list = make("p", "legend");
  for (const name of Object.keys(HEIGHTS)) list.append(make("span", `key ${name}`), said(name));
  list.append(make("span", "key team answered"), _("answered"), make("span", "key done"), _("something was done"), make("span", "key gap"), _("no data"));
  return list;
}
