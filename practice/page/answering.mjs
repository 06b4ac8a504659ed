// A learner's answer: marks on the strip, by pointer or in writing, and a judgement of it.

import { draw, secondAt } from "/assets/shared/draw.mjs";
import { button, field, make, setText, statusLine } from "/assets/shared/elements.mjs";
import { heightToScale } from "/assets/shared/geometry.mjs";
import { _, N_ } from "/assets/shared/language.mjs";
import { options } from "/assets/shared/options.mjs";
import { stripStyle } from "/assets/shared/strip_style.mjs";
import { named } from "./names.mjs";
import { LEAST_S, marked, minuteOf, secondOf } from "./times.mjs";

/** @import { Strip } from "/assets/shared/strip.mjs" */
/** @import { Level } from "/assets/shared/types" */
/** @import { Answer, Kind, LearnersMark, PracticeData, What } from "./types" */

/** @typedef {{ what: What, kind: Kind }} Tool */

/** @type {[Tool, ...Tool[]]} */
const TOOLS = [
  { what: "acceleration", kind: "" },
  { what: "deceleration", kind: "early" },
  { what: "deceleration", kind: "late" },
  { what: "deceleration", kind: "variable" },
  { what: "deceleration", kind: "prolonged" },
];
/** @type {[level: Level, words: string][]} */
const LEVELS = [["quiet", N_("nobody now")], ["look", N_("somebody looks at the strip again soon")], ["bedside", N_("somebody goes to the bed")], ["team", N_("the responsible clinicians are called")]];
const USUAL_BPM = "20";
const MINUTE_CM = 1;
const WRITE_TIMES = N_("Write both times as minutes:seconds, the earlier one first.");

export class AnswerForm {
  /**
   * @param {Strip} strip
   * @param {PracticeData} data
   * @param {(answer: Omit<Answer, "learner" | "set">) => void} onCompare
   */
  constructor(strip, { classes, bounds: [lowest, highest] }, onCompare) {
    this.strip = strip;
    this.classes = classes;
    this.isOver = false;
    /** @type {LearnersMark[]} */
    this.marks = [];
    /** @type {{ from: number, to: number } | null} */
    this.drag = null; // what is being marked, in seconds
    this.tool = TOOLS[0];
    this.canvas = make("canvas", "strip tall");
    this.canvas.setAttribute("role", "img");
    this.canvas.addEventListener("pointerdown", (event) => this.press(event));
    this.canvas.addEventListener("pointermove", (event) => this.move(event));
    this.canvas.addEventListener("pointerup", () => this.release());
    this.paper = make("div", "practice-paper");
    this.paper.append(this.canvas);
    this.told = statusLine("p", "hint");
    this.from = field(_("from"), "input", { placeholder: "min:s", size: 5 });
    this.until = field(_("to"), "input", { placeholder: "min:s", size: 5 });
    this.marked = make("ol", "marked");
    this.baseline = field(_("baseline, bpm"), "input", { type: "number", min: String(lowest), max: String(highest), step: "1" });
    this.rules = field(_("rule set"), "select");
    this.ruleClass = field(_("class"), "select");
    this.next = field(_("who is needed at the end?"), "select");
    this.note = field(_("your note"), "textarea", { maxLength: 500, rows: 2, placeholder: _("what you would do next under local policy") });
    this.submit = make("button", "acknowledge", _("Compare"));
    const list = make("section", "box");
    list.append(make("h2", "", _("Your marks")), this.marked);
    this.root = make("form", "answer");
    this.root.append(this.tools(), list, this.judgement());
    this.root.addEventListener("submit", (event) => {
      event.preventDefault();
      if (this.isWritten && !this.addWritten()) {
        setText(this.told, `${_("These times have not been added.")} ${_(WRITE_TIMES)} ${_("Or clear them.")}`);
        this.from.input.focus();
        return;
      }
      onCompare(this.answer());
    });
    this.showMarks();
  }

  tools() {
    const root = make("fieldset", "box");
    root.append(make("legend", "", _("Mark")));
    for (const tool of TOOLS) {
      const { label, input } = field(named(tool), "input", { type: "radio", name: "tool", checked: tool === this.tool });
      input.addEventListener("change", () => (this.tool = tool));
      label.classList.add("tick");
      root.append(label);
    }
    root.append(make("p", "hint", _("Choose one, then drag over it on the strip. Or write its times:")));
    const times = make("div", "line");
    const { from, until } = this;
    const add = button(_("Add"), "plain", () => {
      if (!this.addWritten()) setText(this.told, _(WRITE_TIMES));
    });
    for (const { input } of [from, until]) {
      input.addEventListener("keydown", (event) => {
        if (event.key !== "Enter") return;
        event.preventDefault(); // it adds the mark, and does not send the whole answer
        add.click();
      });
    }
    times.append(from.label, until.label, add);
    root.append(times, this.told);
    return root;
  }

  /** Whether times stand in the fields that are no mark yet. */
  get isWritten() {
    return Boolean(this.from.input.value.trim() || this.until.input.value.trim());
  }

  /** Makes a mark of the times in the fields and clears them; false where they are none. */
  addWritten() {
    const first = secondOf(this.from.input.value.trim());
    const last = secondOf(this.until.input.value.trim());
    if (first === null || last === null || last <= first) return false;
    this.from.input.value = this.until.input.value = "";
    this.add(first, last);
    return true;
  }

  judgement() {
    const root = make("section", "box judgement");
    this.baseline.input.addEventListener("input", () => this.redraw());
    for (const name of Object.keys(this.classes)) this.rules.input.append(new Option(name, name));
    this.rules.input.addEventListener("change", () => this.offerClasses());
    this.offerClasses();
    this.next.input.append(new Option("–", ""), ...LEVELS.map(([value, words]) => new Option(_(words), value)));
    root.append(make("h2", "", _("Your judgement")), this.baseline.label, this.rules.label, this.ruleClass.label, this.next.label, this.note.label, this.submit);
    return root;
  }

  offerClasses() {
    const names = this.classes[this.rules.input.value] ?? [];
    this.ruleClass.input.replaceChildren(new Option("–", ""), ...names.map((words, i) => new Option(_(words), String(i + 1))));
  }

  /** @param {PointerEvent} event */
  press(event) {
    if (this.isOver) return;
    this.canvas.setPointerCapture(event.pointerId);
    const at = this.secondUnder(event);
    this.drag = { from: at, to: at };
  }

  /** @param {PointerEvent} event */
  move(event) {
    if (!this.drag) return;
    this.drag.to = this.secondUnder(event);
    this.redraw();
  }

  release() {
    if (!this.drag) return;
    const span = marked(this.drag);
    this.drag = null;
    if (span) return this.add(...span);
    setText(this.told, _("Too short for a mark: drag over at least {n} s.", { n: LEAST_S }));
    this.redraw();
  }

  /** @param {PointerEvent} event */
  secondUnder(event) {
    return Math.max(0, Math.min(this.strip.last + 1, secondAt(this.canvas, this.strip, event.clientX, MINUTE_CM)));
  }

  /**
   * @param {number} from
   * @param {number} until
   */
  add(from, until) {
    const end = this.strip.last + 1;
    this.marks.push({ ...this.tool, from_s: Math.min(from, end), until_s: Math.min(until, end) });
    this.marks.sort((a, b) => a.from_s - b.from_s);
    setText(this.told, _("Marked {what}, {from} to {until}.", { what: named(this.tool), from: minuteOf(from), until: minuteOf(until) }));
    this.showMarks();
    this.redraw();
  }

  showMarks() {
    const none = make("li", "hint", _("none yet"));
    this.marked.replaceChildren(...(this.marks.length ? this.marks.map((mark) => this.line(mark)) : [none]));
  }

  /** @param {LearnersMark} mark */
  line(mark) {
    const words = _("{what}, {from} to {until}", { what: named(mark), from: minuteOf(mark.from_s), until: minuteOf(mark.until_s) });
    const item = make("li", "", words);
    const remove = button("×", "plain", () => {
      this.marks = this.marks.filter((one) => one !== mark);
      this.showMarks();
      this.redraw();
    });
    remove.setAttribute("aria-label", _("Remove {what}", { what: words }));
    item.append(remove);
    return item;
  }

  redraw() {
    if (!this.canvas.isConnected) return;
    const bpm = options.bpm === "fit" ? USUAL_BPM : options.bpm;
    const minutes = (this.strip.last + 1) / 60;
    this.canvas.style.height = `${heightToScale(stripStyle(), bpm)}px`;
    this.canvas.style.width = `${minutes * MINUTE_CM}cm`;
    this.canvas.setAttribute("aria-label", _("Strip to practise on, {n} min, {cm} cm a minute, {bpm} bpm a centimetre", { n: Math.round(minutes), cm: MINUTE_CM, bpm }));
    const shown = this.marks.map((mark) => ({ kind: mark.what, from: mark.from_s, to: mark.until_s, text: mark.kind, why: [] }));
    if (this.drag) {
      const { from, to } = this.drag;
      shown.push({ kind: this.tool.what, from: Math.min(from, to), to: Math.max(from, to), text: this.tool.kind, why: [] });
    }
    this.strip.mark(shown);
    const baseline = Number(this.baseline.input.value) || null;
    this.strip.trend = baseline ? Array.from({ length: minutes }).map((__, minute) => [minute * 60 + 59, baseline]) : [];
    draw(this.canvas, this.strip, { minuteCm: MINUTE_CM, bpmPerCm: bpm, text: true, time: minuteOf });
  }

  /** All but whose it is. */
  answer() {
    return {
      baseline_bpm: this.baseline.input.value === "" ? null : Number(this.baseline.input.value),
      marks: this.marks,
      rules: this.rules.input.value,
      rule_class: Number(this.ruleClass.input.value) || null,
      next: LEVELS.find(([level]) => level === this.next.input.value)?.[0] ?? null,
      note: this.note.input.value.trim(),
    };
  }

  /** @param {boolean} isAsked an answer is on its way */
  wait(isAsked) {
    this.submit.disabled = isAsked;
    setText(this.submit, isAsked ? _("The detector is being asked …") : _("Compare"));
  }

  /** Nothing can be marked any more. */
  end() {
    this.isOver = true;
    this.root.hidden = true;
  }
}
