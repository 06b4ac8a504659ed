// Practice: a learner marks a strip, says who is needed, and is compared with what is true and with the detector.

import { ask } from "./ask.mjs";
import { button, field, make, plain, say } from "./elements.mjs";
import { KEPT_S, Strip } from "./feed.mjs";
import { onOptions, options } from "./options.mjs";
import { Comparison } from "./practice_result.mjs";
import { draw, heightToScale, secondAt } from "./strip.mjs";

const TOOLS = [["acceleration", "", "acceleration"], ["deceleration", "early", "early deceleration"], ["deceleration", "late", "late deceleration"], ["deceleration", "variable", "variable deceleration"], ["deceleration", "prolonged", "prolonged deceleration"]];
const LEVELS = [["quiet", "nobody now"], ["look", "somebody reads the strip again soon"], ["bedside", "somebody goes there"], ["team", "the responsible clinicians are called"]];
const LEAST_S = 5; // a shorter drag was a click
const USUAL_BPM = "20";
const MINUTE_CM = "1";

export const minuteOf = (second) => `${Math.floor(second / 60)}:${String(Math.floor(second % 60)).padStart(2, "0")}`;

export class PracticeView {
  constructor(host) {
    this.host = host;
    this.set = new URLSearchParams(location.search).get("set")?.split(".").filter(Boolean) ?? [];
    this.place = 0;
    this.done = []; // scores of the set's strips
    this.trouble = make("p", "empty");
    this.trouble.hidden = true;
    this.desk = make("div", "desk");
    this.endOptions = onOptions(() => this.redraw());
    host.append(make("h1", "", "Practice"), make("p", "about", "Simulated labours, invented; nobody in them is real. What you find is compared with what the simulation knows and with what the detector said. For teaching; it says nothing about how to treat anybody."), this.chooser(), this.trouble, this.desk);
    this.begin();
  }

  chooser() {
    this.scenario = make("select");
    this.scenario.append(new Option("any, not told", ""));
    this.seed = Object.assign(make("input"), { type: "number", min: 0, max: 9999, step: 1, placeholder: "any" });
    const line = make("form", "choose");
    const labelled = (name, input) => {
      const label = make("label", "field");
      label.append(make("span", "", name), input);
      return label;
    };
    const queue = make("details", "fold queue");
    this.queued = make("ol");
    this.link = make("a", "", "");
    const add = button("Add this choice to a set", "plain", () => this.addToSet());
    queue.append(make("summary", "", "For teachers: a set of strips"), make("p", "hint", "Add one strip after the other; whoever opens the link gets them in this order, without their names."), add, this.queued, this.link);
    line.append(labelled("labour", this.scenario), labelled("number", this.seed), make("button", "plain", "New strip"));
    line.addEventListener("submit", (event) => {
      event.preventDefault();
      this.set = [];
      this.open(this.chosen());
    });
    this.own = []; // codes of the set that is being made
    const root = make("div", "chooser");
    root.append(line, queue);
    this.progress = make("p", "progress");
    root.append(this.progress);
    return root;
  }

  async begin() {
    const answer = await this.ask("/practice/scenarios");
    if (!answer) return;
    this.known = answer;
    for (const { name } of answer.scenarios) this.scenario.append(new Option(plain(name), name));
    this.seed.max = answer.largest_seed;
    this.open(this.set[0] ?? this.chosen());
  }

  chosen() {
    const { scenarios, largest_seed: largest } = this.known;
    const one = scenarios.find(({ name }) => name === this.scenario.value) ?? scenarios[Math.floor(Math.random() * scenarios.length)];
    const seed = this.seed.value === "" ? Math.floor(Math.random() * (largest + 1)) : Number(this.seed.value);
    return `${one.digest}-${seed}`;
  }

  addToSet() {
    this.own.push(this.chosen());
    this.queued.append(make("li", "", `${this.scenario.value ? plain(this.scenario.value) : "any"}, number ${this.own.at(-1).split("-")[1]}`));
    this.link.href = `/practice?set=${this.own.join(".")}`;
    say(this.link, `${location.origin}/practice?set=${this.own.join(".")}`);
  }

  ask(path, body) {
    this.trouble.hidden = true;
    return ask(path, (words) => this.fail(words), body ? { method: "POST", body: JSON.stringify(body) } : {});
  }

  fail(text) {
    this.trouble.hidden = false;
    say(this.trouble, text);
  }

  async open(code) {
    this.code = code;
    this.desk.replaceChildren(); // nothing of the last one can be answered any more
    this.canvas = null;
    this.compared = false;
    say(this.progress, this.set.length ? `Strip ${this.place + 1} of ${this.set.length}` : `Strip ${code}`);
    const found = await this.ask(`/practice/strips/${code}`);
    if (!found || code !== this.code) return;
    this.strip = new Strip();
    this.strip.first = 0;
    this.strip.last = Math.min(found.seconds, KEPT_S) - 1;
    this.strip.fhr.set(found.fhr);
    this.strip.ua.set(found.ua);
    this.marks = [];
    this.lay();
  }

  lay() {
    this.canvas = make("canvas", "strip tall");
    this.canvas.setAttribute("role", "img");
    this.paper = make("div", "practice-paper");
    this.paper.append(this.canvas);
    this.result = make("div");
    this.desk.replaceChildren(this.paper, this.form(), this.result);
    this.canvas.addEventListener("pointerdown", (event) => this.press(event));
    this.canvas.addEventListener("pointermove", (event) => this.drag(event));
    this.canvas.addEventListener("pointerup", () => this.release());
    this.redraw();
  }

  form() {
    const form = make("form", "answer");
    form.append(this.tools(), this.list(), this.judgement());
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.compare(form);
    });
    return form;
  }

  tools() {
    const root = make("fieldset", "box");
    root.append(make("legend", "", "Mark"));
    this.tool = 0;
    TOOLS.forEach(([, , words], i) => {
      const { label, input } = field(words, "input", { type: "radio", name: "tool", checked: i === 0 });
      input.addEventListener("change", () => (this.tool = i));
      label.classList.add("tick");
      root.append(label);
    });
    root.append(make("p", "hint", "Choose one, then drag over it on the strip. Or write its times:"));
    const times = make("div", "line");
    const [from, until] = ["from", "to"].map((name) => field(name, "input", { placeholder: "min:s", pattern: "\\d{1,2}:[0-5]\\d", size: 5 }));
    const add = button("Add", "plain", () => {
      const [a, b] = [from, until].map(({ input }) => input.value.split(":").reduce((m, s) => Number(m) * 60 + Number(s)));
      if (from.input.value && until.input.value && from.input.checkValidity() && until.input.checkValidity() && b > a) this.add(a, b);
      else say(this.told, "Write both times as minutes:seconds, the later one second.");
    });
    for (const { input } of [from, until]) {
      input.addEventListener("keydown", (event) => {
        if (event.key !== "Enter") return;
        event.preventDefault(); // it adds the mark, and does not send the whole answer
        add.click();
      });
    }
    times.append(from.label, until.label, add);
    this.told = make("p", "hint");
    this.told.setAttribute("role", "status");
    root.append(times, this.told);
    return root;
  }

  list() {
    const root = make("section", "box");
    this.marked = make("ol", "marked");
    root.append(make("h2", "", "Your marks"), this.marked);
    this.showMarks();
    return root;
  }

  judgement() {
    const root = make("section", "box judgement");
    this.baseline = field("baseline, bpm", "input", { type: "number", min: this.known.baseline_bpm[0], max: this.known.baseline_bpm[1], step: 1 });
    this.baseline.input.addEventListener("input", () => this.redraw());
    this.rules = field("by", "select", {});
    for (const { name } of this.known.rule_sets) this.rules.input.append(new Option(name, name));
    this.ruleClass = field("class", "select", {});
    const classes = () => this.ruleClass.input.replaceChildren(new Option("–", ""), ...this.classesOf(this.rules.input.value).map((words, i) => new Option(words, i + 1)));
    this.rules.input.addEventListener("change", classes);
    classes();
    this.next = field("at its end", "select", {});
    this.next.input.append(new Option("–", ""), ...LEVELS.map(([value, words]) => new Option(words, value)));
    this.note = field("in your words", "textarea", { maxLength: 500, rows: 2, placeholder: "what you would do next, as local policy says" });
    this.submit = make("button", "acknowledge", "Compare");
    root.append(make("h2", "", "Your judgement"), this.baseline.label, this.rules.label, this.ruleClass.label, this.next.label, this.note.label, this.submit);
    return root;
  }

  press(event) {
    if (this.compared) return;
    this.canvas.setPointerCapture(event.pointerId);
    const at = this.secondOf(event);
    this.held = { from: at, to: at };
  }

  drag(event) {
    if (!this.held) return;
    this.held.to = this.secondOf(event);
    this.redraw();
  }

  release() {
    if (!this.held) return;
    const [from, to] = [this.held.from, this.held.to].sort((a, b) => a - b);
    this.held = null;
    if (to - from >= LEAST_S) this.add(from, to);
    else this.redraw();
  }

  secondOf(event) {
    return Math.max(0, Math.min(this.strip.last + 1, secondAt(this.canvas, this.strip, event.clientX, MINUTE_CM)));
  }

  add(from, until) {
    const [what, kind] = TOOLS[this.tool];
    const end = this.strip.last + 1;
    this.marks.push({ what, kind, from_s: Math.min(from, end), until_s: Math.min(until, end) });
    this.marks.sort((a, b) => a.from_s - b.from_s);
    say(this.told, `Marked ${TOOLS[this.tool][2]}, ${minuteOf(from)} to ${minuteOf(until)}.`);
    this.showMarks();
    this.redraw();
  }

  showMarks() {
    if (!this.marks.length) return this.marked.replaceChildren(make("li", "hint", "none yet"));
    this.marked.replaceChildren(...this.marks.map((mark) => {
      const words = `${mark.kind ? `${mark.kind} ` : ""}${mark.what}, ${minuteOf(mark.from_s)} to ${minuteOf(mark.until_s)}`;
      const item = make("li", "", words);
      const remove = button("×", "plain", () => {
        this.marks = this.marks.filter((one) => one !== mark);
        this.showMarks();
        this.redraw();
      });
      remove.setAttribute("aria-label", `Take away: ${words}`);
      item.append(remove);
      return item;
    }));
  }

  classesOf(rules) {
    return this.known.rule_sets.find(({ name }) => name === rules).classes;
  }

  redraw() {
    if (!this.canvas?.isConnected) return;
    const bpm = options.bpm === "fit" ? USUAL_BPM : options.bpm;
    this.canvas.style.height = `${heightToScale(bpm)}px`;
    this.canvas.style.width = `${((this.strip.last + 1) / 60) * Number(MINUTE_CM)}cm`;
    this.canvas.setAttribute("aria-label", `Strip to practise on, ${Math.round((this.strip.last + 1) / 60)} min, ${MINUTE_CM} cm a minute, ${bpm} bpm a centimetre`);
    const shown = this.marks.map((mark) => ({ kind: mark.what, from: mark.from_s, to: mark.until_s, text: mark.kind }));
    if (this.held) shown.push({ kind: TOOLS[this.tool][0], from: Math.min(this.held.from, this.held.to), to: Math.max(this.held.from, this.held.to), text: TOOLS[this.tool][1] });
    this.strip.marks = shown;
    const baseline = Number(this.baseline?.input.value) || null;
    this.strip.trend = baseline ? Array.from({ length: (this.strip.last + 1) / 60 }, (_, minute) => [minute * 60 + 59, baseline]) : [];
    draw(this.canvas, this.strip, { minuteCm: MINUTE_CM, bpmPerCm: bpm, text: true, usualBpm: this.known.rule_sets[0].usual_baseline_bpm, time: minuteOf });
  }

  async compare(form) {
    const answer = {
      baseline_bpm: this.baseline.input.value === "" ? null : Number(this.baseline.input.value),
      marks: this.marks,
      rules: this.rules.input.value,
      rule_class: Number(this.ruleClass.input.value) || null,
      next: this.next.input.value || null,
      note: this.note.input.value.trim(),
    };
    this.submit.disabled = true;
    say(this.submit, "The detector is being asked …");
    const { code } = this;
    const found = await this.ask(`/practice/strips/${code}/answer`, answer);
    if (code !== this.code) return;
    this.submit.disabled = false;
    say(this.submit, "Compare");
    if (!found) return;
    form.hidden = true;
    this.compared = true;
    this.done[this.place] = found.compared.score;
    const comparison = new Comparison(found.compared, this.marks, this.strip.last + 1, this.classesOf(answer.rules));
    this.paper.append(comparison.lanes);
    this.result.replaceChildren(comparison.root, this.after());
    this.result.firstChild.querySelector("h2").focus();
  }

  after() {
    const root = make("p", "choose");
    if (this.set.length > this.place + 1) {
      root.append(button("Next strip", "acknowledge", () => this.open(this.set[++this.place])));
    } else if (this.set.length) {
      const mean = this.done.reduce((sum, one) => sum + one, 0) / this.done.length;
      root.append(make("strong", "", `The set is done: ${this.done.join(", ")} of 100; ${mean.toFixed(0)} on average.`));
    } else {
      root.append(button("New strip", "acknowledge", () => this.open(this.chosen())), button("The same once more", "plain", () => this.open(this.code)));
    }
    return root;
  }

  show() {} // nothing here is live

  close() {
    this.endOptions();
    this.host.replaceChildren();
  }
}
