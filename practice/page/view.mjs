// Practice: a learner marks a strip, says who is needed, and is compared with what is true and with the detector.

import { fetchJson } from "/assets/shared/fetch.mjs";
import { button, make, setText } from "/assets/shared/elements.mjs";
import { _ } from "/assets/shared/language.mjs";
import { onOptions } from "/assets/shared/options.mjs";
import { KEPT_S, Strip } from "/assets/shared/strip.mjs";
import { AnswerForm } from "./answering.mjs";
import { Chooser } from "./choosing.mjs";
import { ClassPanel } from "./classes.mjs";
import { Comparison } from "./result.mjs";

/** @import { Answer, Compared, PracticeData, PracticeSet, Scenarios, Signals } from "./types" */

export default class PracticeView {
  /**
   * @param {HTMLElement} host
   * @param {PracticeData} data
   */
  constructor(host, data) {
    this.host = host;
    this.data = data;
    const asked = new URLSearchParams(location.search);
    this.set = asked.get("set")?.split(".").filter(Boolean) ?? [];
    this.setName = asked.get("of") ?? ""; // of a set that is kept
    this.place = 0;
    this.code = "";
    /** @type {number[]} */
    this.scores = []; // of the set's strips
    /** @type {AnswerForm | null} */
    this.form = null;
    this.chooser = new Chooser(() => {
      this.set = [];
      this.setName = "";
      void this.open(this.chooser.chosen().code);
    });
    const teacher = new ClassPanel(() => this.chooser.chosen());
    this.title = make("h1", "", _("Practice"));
    this.trouble = make("p", "empty");
    this.trouble.hidden = true;
    this.desk = make("div", "desk");
    this.endOptions = onOptions(() => this.form?.redraw());
    host.append(this.title, make("p", "about", _("Simulated labours, all invented, or recordings that a teacher has chosen. Your answer is compared with what is known to be true and with what the detector says. For teaching only; it says nothing about treatment.")), this.chooser.root, teacher.root, this.trouble, this.desk);
    void this.begin();
  }

  async begin() {
    /** @type {Scenarios | null} */
    const known = await this.fetchJson("/practice/scenarios");
    if (!known) return;
    this.chooser.offer(known);
    if (this.setName) {
      /** @type {PracticeSet | null} */
      const kept = await this.fetchJson(`/practice/sets/${encodeURIComponent(this.setName)}`);
      if (!kept) return;
      this.set = kept.strips;
      setText(this.title, _("Practice: {name}", { name: kept.title }));
    }
    await this.open(this.set[0] ?? this.chooser.chosen().code);
  }

  /**
   * @template Found
   * @param {string} path
   * @param {RequestInit} options
   * @returns {Promise<Found | null>}
   */
  fetchJson(path, options = {}) {
    this.trouble.hidden = true;
    return fetchJson(path, (words) => this.fail(words), options);
  }

  /** @param {string} text */
  fail(text) {
    this.trouble.hidden = false;
    setText(this.trouble, text);
  }

  /** @param {string} code */
  async open(code) {
    this.code = code;
    this.desk.replaceChildren(); // nothing of the last one can be answered any more
    this.form = null;
    const { progress } = this.chooser;
    setText(progress, _("Making a new strip …"));
    /** @type {Signals | null} */
    const sent = await this.fetchJson(`/practice/strips/${code}`);
    if (code !== this.code) return;
    if (!sent) return setText(progress, "");
    const strip = new Strip();
    strip.first = 0;
    strip.last = Math.min(sent.seconds, KEPT_S) - 1;
    strip.fhr.set(sent.fhr);
    strip.ua.set(sent.ua);
    const form = new AnswerForm(strip, this.data, (answer) => void this.compare(form, answer));
    this.form = form;
    this.desk.replaceChildren(form.paper, form.root);
    form.redraw();
    const minutes = Math.round((strip.last + 1) / 60);
    setText(progress, this.set.length ? _("Strip {a} of {b}", { a: this.place + 1, b: this.set.length }) : _("New strip {name}, {n} min", { name: code, n: minutes }));
  }

  /**
   * @param {AnswerForm} form
   * @param {Omit<Answer, "learner" | "set">} given
   */
  async compare(form, given) {
    const { code, setName } = this;
    /** @type {Answer} */
    const answer = { ...given, learner: this.chooser.learner.value.trim(), set: setName };
    form.wait(true);
    /** @type {{ compared: Compared, kept: boolean, trouble: string } | null} */
    const told = await this.fetchJson(`/practice/strips/${code}/answer`, { method: "POST", body: JSON.stringify(answer) });
    if (form !== this.form) return; // another strip has been opened meanwhile
    form.wait(false);
    if (!told) return;
    form.end();
    this.scores[this.place] = told.compared.score;
    const comparison = new Comparison(told.compared, answer.marks, form.strip.last + 1, this.data.classes[answer.rules] ?? []);
    const result = make("div");
    const kept = told.kept ? _("Kept under {label}.", { label: answer.learner }) : told.trouble ? _("Not kept: {why}", { why: told.trouble }) : _("Not kept: there is no label above.");
    result.append(comparison.root, make("p", "hint", kept), this.after());
    form.paper.append(comparison.rows);
    this.desk.append(result);
    comparison.title.focus();
  }

  /** What can be done next. */
  after() {
    const root = make("p", "choose");
    const next = this.set[this.place + 1];
    if (next !== undefined) {
      root.append(button(_("Next strip"), "acknowledge", () => {
        this.place += 1;
        void this.open(next);
      }));
    } else if (this.set.length) {
      const mean = this.scores.reduce((sum, one) => sum + one, 0) / this.scores.length;
      root.append(make("strong", "", _("The set is done: {scores} of 100; {n} on average.", { scores: this.scores.join(", "), n: mean.toFixed(0) })));
    } else {
      const another = button(_("New strip"), "acknowledge", () => void this.open(this.chooser.chosen().code));
      root.append(another, button(_("Same strip again"), "plain", () => void this.open(this.code)));
    }
    return root;
  }

  show() {} // nothing here is live

  close() {
    this.endOptions();
    this.host.replaceChildren();
  }
}
