// Shift: what happened at all beds in the last hours, what it adds up to, and what can be taken to the hand-over.

import { drawn, duration, hatched, make, plain, say, timeOf } from "./elements.mjs";
import { role } from "./who.mjs";

const AGAIN_MS = 10_000;
const LEFT = 110, WIDTH = 1120, RIGHT = 190, TOP = 26;
const HEIGHTS = { look: 0.28, bedside: 0.42, team: 0.58 }; // of a row
const HOURS = [1, 2, 4, 8, 12, 24];
const USUAL_HOURS = 12;
const DEEDS_SHOWN = 40;

export class ShiftView {
  constructor(host) {
    this.host = host;
    this.hours = make("select");
    for (const hours of HOURS) this.hours.append(new Option(hours === 1 ? "the last hour" : `the last ${hours} hours`, hours));
    this.hours.value = USUAL_HOURS;
    this.isChosen = false; // until then the least is shown that holds all that is on record
    this.hours.addEventListener("change", () => {
      this.isChosen = true;
      this.load();
    });
    const label = make("label", "field");
    label.append(make("span", "", "show"), this.hours);
    const sheets = make("a", "", "hand-over sheets of all beds");
    sheets.href = `/handover?utc-offset-min=${-new Date().getTimezoneOffset()}`;
    sheets.target = "_blank";
    this.csv = make("a", "", "all flags as CSV");
    const tools = make("div", "choose");
    this.asOf = make("span", "progress");
    tools.append(label, sheets, this.csv, this.asOf);
    this.trouble = make("p", "empty");
    this.trouble.hidden = true;
    this.picture = make("div", "shift");
    this.told = make("p", "told");
    this.told.setAttribute("role", "status");
    const lanes = make("div", "box");
    lanes.append(this.picture, legend(), this.told);
    this.figures = make("dl", "figures");
    const sums = make("section", "box");
    sums.append(make("h2", "", "What it adds up to"), this.figures);
    this.deeds = make("table", "deeds");
    this.audit = make("section", "box");
    this.audit.append(make("h2", "", "Who did what on the page"), this.deeds);
    this.audit.hidden = true;
    this.below = make("div", "shift-parts");
    this.below.append(lanes, sums, this.audit);
    host.append(make("h1", "", "What happened"), tools, this.trouble, this.below);
    this.timer = setInterval(() => this.load(), AGAIN_MS);
    this.load();
  }

  async load() {
    const hours = this.hours.value;
    this.csv.href = `/shift/flags.csv?hours=${hours}`;
    let found;
    try {
      const answer = await fetch(`/shift/flags.json?hours=${hours}`);
      if (!answer.ok) return this.fail(await answer.text());
      found = (await answer.json()).shift;
    } catch {
      return this.fail("The server does not answer. What is shown below is old.");
    }
    if (hours !== this.hours.value) return; // others have been chosen meanwhile
    if (!this.isChosen) {
      this.isChosen = true;
      const held = Math.max(0, ...found.beds.map((bed) => -bed.since_s)) / 3600;
      this.hours.value = HOURS.find((one) => one >= held && one <= USUAL_HOURS) ?? USUAL_HOURS;
      return this.load();
    }
    this.trouble.hidden = found.beds.length > 0;
    say(this.trouble, found.beds.length ? "" : "No device of this ward has sent anything yet.");
    const isRead = this.picture.contains(document.activeElement); // then it is drawn again when they have left
    if (!isRead) {
      this.drawnAt = Date.now();
      this.picture.replaceChildren(timeline(found, (words) => say(this.told, words)));
      say(this.told, "Point at a flag, or move to it with the Tab key, to see why it stood.");
    }
    say(this.asOf, `as of ${timeOf(this.drawnAt)}${isRead ? ", held while the keyboard is in it" : ""}`);
    this.figures.replaceChildren(...found.figures.map(figure));
    this.readDeeds();
  }

  async readDeeds() {
    if (role() !== "in charge") return;
    const answer = await fetch("/audit.json").catch(() => null);
    if (!answer?.ok) return;
    const { deeds } = await answer.json();
    this.audit.hidden = deeds.length === 0;
    this.deeds.replaceChildren(...deeds.slice(0, DEEDS_SHOWN).map(deed));
  }

  fail(text) {
    this.trouble.hidden = false;
    say(this.trouble, text);
  }

  show() {} // it reads the logs by itself

  close() {
    clearInterval(this.timer);
    this.host.replaceChildren();
  }
}

function deed({ at, who, role: as, what, bed }) {
  const row = make("tr");
  for (const words of [timeOf(at), as ? `${who}, ${as}` : who, plain(what), bed]) row.append(make("td", "", words));
  return row;
}

function figure({ name, value, meaning }) {
  const one = make("div");
  const words = make("dd", "meaning", meaning);
  one.append(make("dt", "", name), make("dd", "", value), words);
  return one;
}

function timeline({ hours, beds }, tell) {
  const rowPx = beds.length > 12 ? 24 : 34;
  const height = TOP + beds.length * rowPx + 6;
  const x = (s) => LEFT + (1 + s / (hours * 3600)) * WIDTH;
  const svg = drawn("svg", { viewBox: `0 0 ${LEFT + WIDTH + RIGHT} ${height}`, role: "group", "aria-label": "Flags of all beds" });
  svg.append(hatched("nothing"));
  const step = hours > 12 ? 2 : hours > 4 ? 1 : hours > 1 ? 0.5 : 0.25;
  for (let ago = 0; ago <= hours; ago += step) {
    const at = x(-ago * 3600);
    const words = ago === 0 ? "now" : `−${ago < 1 ? `${ago * 60} min` : `${ago} h`}`;
    svg.append(drawn("line", { class: "hour", x1: at, x2: at, y1: TOP - 4, y2: height }), drawn("text", { class: "axis", x: at, y: TOP - 10, "text-anchor": "middle" }, words));
  }
  svg.append(drawn("text", { class: "axis", x: LEFT + WIDTH + 24, y: TOP - 10 }, "calls, longest wait"));
  beds.forEach((bed, row) => svg.append(lane(bed, TOP + row * rowPx, rowPx, x, tell)));
  return svg;
}

function lane(bed, y, rowPx, x, tell) {
  const floor = y + rowPx - 7;
  const group = drawn("g", {});
  const link = drawn("a", { href: `/bed/${bed.bed}` });
  link.append(drawn("text", { class: "name", x: LEFT - 12, y: floor - 2, "text-anchor": "end" }, bed.bed));
  group.append(link, drawn("line", { class: "rest", x1: x(bed.since_s), x2: x(0), y1: floor, y2: floor }));
  const time = (s) => timeOf(bed.now + s * 1000);
  const speaking = (element, words) => {
    element.append(drawn("title", {}, words));
    for (const event of ["pointerenter", "focus"]) element.addEventListener(event, () => tell(words));
    group.append(element);
  };
  for (const [from, until] of bed.nothing) {
    const words = `${bed.bed}, ${time(from)} to ${time(until)}: nothing on record; nobody watched, or no signal came`;
    speaking(drawn("rect", { class: "gap", fill: "url(#nothing)", x: x(from), y: y + 3, width: Math.max(2, x(until) - x(from)), height: rowPx - 10, tabindex: 0, role: "img", "aria-label": words }), words);
  }
  for (const one of bed.flags) {
    const size = HEIGHTS[one.level] * rowPx;
    const words = `${bed.bed}, ${time(one.from_s)} to ${one.until_s === 0 ? "now" : time(one.until_s)}, ${one.level}, ${one.waits ? "unanswered" : "answered"}: ${one.text}`;
    speaking(drawn("rect", { class: `flag ${one.level}${one.waits ? "" : " answered"}`, x: x(one.from_s), y: floor - size, width: Math.max(2, x(one.until_s) - x(one.from_s)), height: size, tabindex: 0, role: "img", "aria-label": words }), words);
  }
  for (const one of bed.done) {
    const at = x(one.at_s);
    const words = `${bed.bed}, ${time(one.at_s)}: ${one.what}, ${one.by}`;
    speaking(drawn("path", { class: "done", d: `M${at} ${floor + 1}l4 6h-8z`, tabindex: 0, role: "img", "aria-label": words }), words);
  }
  const waits = bed.longest_wait_s === null ? "" : `, ${duration(bed.longest_wait_s)}`;
  const now = bed.waits_s === null ? "" : " · waits now";
  group.append(drawn("text", { class: bed.waits_s === null ? "sum" : "sum waits", x: LEFT + WIDTH + 24, y: floor - 2 }, `${bed.calls}${waits}${now}`));
  return group;
}

function legend() {
  const list = make("p", "legend");
  for (const [name, words] of [["look", "look"], ["bedside", "bedside"], ["team", "team"]]) list.append(make("span", `key ${name}`), words);
  list.append(make("span", "key team answered"), "answered", make("span", "key done"), "something was done", make("span", "key gap"), "nothing on record");
  return list;
}
