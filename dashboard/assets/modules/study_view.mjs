// Study: one shift, and a slider for each number of the policy: the flags that would have been.

import { ask } from "./ask.mjs";
import { button, drawn, hatched, make, plain, say } from "./elements.mjs";

const HOURS = [1, 2, 4, 8];
const AGAIN_MS = 1000;
const OWN = "running-shift";
const LEVELS = ["", "look", "bedside", "team"];
const LEFT = 190, WIDTH = 1200, ROW = 30, TOP = 24, HEIGHTS = [0, 8, 13, 18];

function clock(seconds) {
  return `${Math.floor(seconds / 3600)}:${String(Math.floor((seconds % 3600) / 60)).padStart(2, "0")}`;
}

export class StudyView {
  constructor(host) {
    this.host = host;
    this.study = make("select");
    this.number = make("select");
    this.slider = Object.assign(make("input", "slide"), { type: "range", min: 0, step: 1 });
    this.value = make("output", "value");
    this.counts = make("p", "counts");
    this.told = make("p", "told", "Point at a flag, or move to it with the Tab key, to see why it stood.");
    this.told.setAttribute("role", "status");
    this.report = make("a", "", "whole report");
    this.report.target = "_blank";
    this.trouble = make("p", "empty");
    this.trouble.hidden = true;
    this.about = make("p", "about");
    this.picture = make("div", "shift");
    const line = make("div", "choose");
    for (const [name, input] of [["study", this.study], ["number", this.number], ["value", this.slider]]) {
      const label = make("label", "field");
      label.append(make("span", "", name), input);
      line.append(label);
    }
    line.append(this.value, this.report);
    this.running = button("Work out this ward's last hours", "plain", () => this.workOut("/studies/running", `?hours=${this.hours.value}`));
    this.hours = make("select");
    for (const hours of HOURS) this.hours.append(new Option(`${hours} h`, hours));
    this.hours.value = 4;
    this.hours.setAttribute("aria-label", "Hours of this ward");
    this.progress = make("span", "progress");
    this.progress.setAttribute("role", "status");
    const own = make("div", "choose");
    own.append(this.running, this.hours, this.progress);
    this.below = make("div", "box");
    this.below.append(line, this.counts, this.picture, this.told);
    host.append(make("h1", "", "What if the policy had been another one?"), own, this.about, this.trouble, this.below);
    this.study.addEventListener("change", () => this.load(this.study.value));
    this.number.addEventListener("change", () => this.choose());
    this.slider.addEventListener("input", () => this.draw());
    this.begin();
  }

  async begin() {
    const answer = await this.ask("/studies");
    if (!answer) return;
    this.withReport = answer.with_report;
    for (const name of answer.studies) this.study.append(new Option(name, name));
    if (answer.studies.length) this.load(answer.studies[0]);
    else await this.workOut("/studies/example");
  }

  // A process of its own works it out; it takes about a minute for a dozen beds and four hours.
  async workOut(path, query = "") {
    this.running.disabled = true;
    this.below.hidden = !this.found;
    let said = await this.ask(path + query, "POST");
    while (said?.state === "working" && this.host.isConnected) {
      say(this.progress, said.text);
      await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
      said = await this.ask(path);
    }
    this.running.disabled = false;
    say(this.progress, said?.text ?? "");
    if (said?.state !== "done" || !this.host.isConnected) return;
    if (![...this.study.options].some((one) => one.value === said.study)) this.study.append(new Option(said.study, said.study));
    this.study.value = said.study;
    this.load(said.study);
  }

  ask(path, method = "GET") {
    return ask(path, (words) => this.fail(words), { method });
  }

  fail(text) {
    this.below.hidden = true;
    this.trouble.hidden = false;
    say(this.trouble, text);
  }

  async load(name) {
    const found = await this.ask(`/studies/${name}/what-if.json`);
    if (!found || this.study.value !== name) return; // another one has been chosen meanwhile
    this.found = found;
    this.below.hidden = false;
    this.trouble.hidden = true;
    this.report.href = `/studies/${name}/report.html`;
    this.report.hidden = !this.withReport.includes(name);
    say(this.about, found.about);
    this.number.replaceChildren(...found.sliders.map((s, i) => new Option(`${plain(s.key.replace(".", ": "))}`, i)));
    this.choose();
  }

  choose() {
    this.one = this.found.sliders[this.number.value];
    this.slider.max = this.one.positions.length - 1;
    this.slider.value = this.one.positions.findIndex((p) => p.value === this.one.today);
    this.draw();
  }

  draw() {
    const { positions, today } = this.one;
    const now = positions[this.slider.value];
    const usual = positions.find((p) => p.value === today);
    const words = `${now.value}${now.value === today ? ", as today" : `, today ${today}`}`;
    say(this.value, words);
    this.slider.setAttribute("aria-valuetext", words);
    const count = (p, level) => p.calls[level] ?? 0;
    const all = (p) => LEVELS.slice(1).reduce((sum, level) => sum + count(p, level), 0);
    const beside = (here, there) => (now === usual ? `${here}` : `${here} (today ${there})`);
    say(this.counts, `Calls in this shift: ${beside(all(now), all(usual))}; ${LEVELS.slice(1).map((level) => `${level} ${beside(count(now, level), count(usual, level))}`).join(", ")}.`);
    this.picture.replaceChildren(this.shift(now));
  }

  shift(position) {
    const { beds, needs, hours, study } = this.found;
    const named = (bed) => (study === OWN ? beds[bed] : `${bed + 1} ${plain(beds[bed])}`); // own beds have names already
    const height = TOP + beds.length * ROW + 6;
    const x = (s) => LEFT + (s / (hours * 3600)) * WIDTH;
    const svg = drawn("svg", { viewBox: `0 0 ${LEFT + WIDTH + 24} ${height}`, role: "group", "aria-label": "Flags of all beds over the shift" });
    svg.append(hatched("hatch"));
    for (let hour = 0; hour <= hours; hour += hours > 3 ? 1 : 0.25) {
      svg.append(drawn("line", { class: "hour", x1: x(hour * 3600), x2: x(hour * 3600), y1: TOP - 4, y2: height }), drawn("text", { class: "axis", x: x(hour * 3600), y: TOP - 9, "text-anchor": "middle" }, clock(hour * 3600)));
    }
    beds.forEach((_, bed) => {
      const y = TOP + bed * ROW;
      svg.append(drawn("text", { class: "name", x: LEFT - 10, y: y + ROW / 2 + 4, "text-anchor": "end" }, named(bed)));
      svg.append(drawn("line", { class: "rest", x1: LEFT, x2: LEFT + WIDTH, y1: y + ROW - 5, y2: y + ROW - 5 }));
      for (const need of needs[bed]) {
        svg.append(drawn("rect", { class: "need", fill: "url(#hatch)", x: x(need.from_s), y: y + 2, width: Math.max(2, x(need.until_s) - x(need.from_s)), height: ROW - 7 }));
      }
    });
    for (const flag of position.flags) {
      const size = HEIGHTS[flag.level];
      const words = `${study === OWN ? "" : "Bed "}${named(flag.bed)}, ${LEVELS[flag.level]} from ${clock(flag.from_s)} to ${clock(flag.until_s)}: ${plain(flag.why)}`;
      const bar = drawn("rect", { class: `flag ${LEVELS[flag.level]}`, x: x(flag.from_s), y: TOP + (flag.bed + 1) * ROW - 5 - size, width: Math.max(3, x(flag.until_s) - x(flag.from_s)), height: size, tabindex: 0, role: "img", "aria-label": words });
      bar.append(drawn("title", {}, words));
      for (const event of ["pointerenter", "focus"]) bar.addEventListener(event, () => say(this.told, words));
      svg.append(bar);
    }
    return svg;
  }

  show() {} // nothing here is live

  close() {
    this.host.replaceChildren();
  }
}
