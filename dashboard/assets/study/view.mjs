// Study: one shift, and a slider for each number of the policy: the flags that would have been.

import { fetchJson } from "../shared/fetch.mjs";
import { button, labelled, make, setText, statusLine } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { plain } from "../shared/words.mjs";
import { drawFlags, LEVELS } from "./flags.mjs";
import { choiceInWords, drawTradeoff, inSentences } from "./tradeoff.mjs";

/** @import { Position, Slider, WhatIf } from "./flags.mjs" */
/** @import { Answer } from "./tradeoff.mjs" */

/** @typedef {{ studies: string[], with_report: string[] }} Studies */
/** @typedef {{ state: "idle" | "working" | "done" | "failed", text: string, study: string }} Progress */

const HOURS = [1, 2, 4, 8];
const USUAL_HOURS = 4;
const AGAIN_MS = 1000;

export default class StudyView {
  /** @param {HTMLElement} host */
  constructor(host) {
    this.host = host;
    /** @type {string[]} */
    this.withReport = [];
    /** @type {WhatIf | null} */
    this.found = null;
    /** @type {Slider | null} */
    this.one = null; // the number that is chosen
    this.study = make("select");
    this.number = make("select");
    this.slider = Object.assign(make("input", "slide"), { type: "range", min: "0", step: "1" });
    this.value = make("output", "value");
    this.counts = make("p", "counts");
    this.told = statusLine("p", "told", _("Point at a flag, or move to it with the Tab key, to see why it was raised."));
    this.report = make("a", "", _("full report"));
    this.report.target = "_blank";
    this.trouble = make("p", "empty");
    this.trouble.hidden = true;
    this.about = make("p", "about");
    this.picture = make("div", "shift");
    const line = make("div", "choose");
    line.append(labelled(_("study"), this.study), labelled(_("limit"), this.number), labelled(_("value"), this.slider), this.value, this.report);
    this.running = button(_("Try it on this ward's last hours"), "plain", () => void this.workOut("/studies/running", `?hours=${this.hours.value}`));
    this.hours = make("select");
    for (const hours of HOURS) this.hours.append(new Option(_("{n} h", { n: hours }), String(hours)));
    this.hours.value = String(USUAL_HOURS);
    this.hours.setAttribute("aria-label", _("Hours of this ward"));
    this.progress = statusLine("span", "progress");
    const own = make("div", "choose");
    own.append(this.running, this.hours, this.progress);
    this.answer = make("section", "box answer");
    this.answer.setAttribute("aria-label", _("The answer"));
    this.answer.hidden = true;
    this.below = make("div", "box");
    this.below.append(line, this.counts, this.picture, this.told);
    host.append(make("h1", "", _("What if the limits were different?")), own, this.trouble, this.answer, this.about, this.below);
    this.study.addEventListener("change", () => void this.load(this.study.value));
    this.number.addEventListener("change", () => this.choose());
    this.slider.addEventListener("input", () => this.draw());
    void this.begin();
  }

  async begin() {
    /** @type {Studies | null} */
    const answer = await this.fetchJson("/studies");
    if (!answer) return;
    this.withReport = answer.with_report;
    for (const name of answer.studies) this.study.append(new Option(name, name));
    if (answer.studies[0]) await this.load(answer.studies[0]);
    else await this.workOut("/studies/example");
  }

  /**
   * A process of its own works it out; it takes about a minute for a dozen beds and four hours.
   * @param {string} path
   */
  async workOut(path, query = "") {
    this.running.disabled = true;
    this.below.hidden = !this.found;
    /** @type {Progress | null} */
    let status = await this.fetchJson(path + query, "POST");
    while (status?.state === "working" && this.host.isConnected) {
      setText(this.progress, said(status.text));
      await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
      status = await this.fetchJson(path);
    }
    this.running.disabled = false;
    setText(this.progress, said(status?.text ?? ""));
    if (status?.state !== "done" || !this.host.isConnected) return;
    const { study } = status;
    if (![...this.study.options].some((one) => one.value === study)) this.study.append(new Option(study, study));
    this.study.value = study;
    await this.load(study);
  }

  /**
   * @template Answer
   * @param {string} path
   * @returns {Promise<Answer | null>}
   */
  fetchJson(path, method = "GET") {
    return fetchJson(path, (words) => this.fail(words), { method });
  }

  /** @param {string} text */
  fail(text) {
    this.below.hidden = true;
    this.trouble.hidden = false;
    setText(this.trouble, text);
  }

  /** @param {string} name */
  async load(name) {
    /** @type {WhatIf | null} */
    const found = await this.fetchJson(`/studies/${name}/what-if.json`);
    if (!found || this.study.value !== name) return; // another one has been chosen meanwhile
    this.found = found;
    this.below.hidden = false;
    this.trouble.hidden = true;
    this.report.href = `/studies/${name}/report.html`;
    this.report.hidden = !this.withReport.includes(name);
    setText(this.about, said(found.about));
    void this.loadAnswer(name);
    this.number.replaceChildren(...found.sliders.map((s, i) => new Option(said(plain(s.key.replace(".", ": "))), String(i))));
    this.choose();
  }

  /**
   * A study that has been run whole has an answer and the picture behind it.
   * @param {string} name
   */
  async loadAnswer(name) {
    this.answer.hidden = true;
    if (!this.withReport.includes(name)) return;
    /** @type {{ answer: Answer } | null} */
    const found = await fetchJson(`/studies/${name}/answer.json`, () => {}); // without one there is the slider
    if (!found || this.study.value !== name) return;
    const told = statusLine("p", "told", _("Shaded: the limit. Line: no policy has both fewer interruptions and fewer late needs. Point at a mark to see its numbers."));
    const headline = make("p", "headline-of-study", inSentences(found.answer.headline));
    const picture = make("div", "shift tradeoff");
    picture.append(drawTradeoff(found.answer, (words) => setText(told, words)));
    this.answer.replaceChildren(make("h2", "", _("Answer")), headline, make("p", "choice", choiceInWords(found.answer)), picture, told);
    this.answer.hidden = false;
  }

  choose() {
    const one = this.found?.sliders[Number(this.number.value)] ?? null;
    this.one = one;
    if (!one) return;
    this.slider.max = String(one.positions.length - 1);
    this.slider.value = String(one.positions.findIndex((p) => p.value === one.today));
    this.draw();
  }

  draw() {
    if (!this.found || !this.one) return;
    const { positions, today } = this.one;
    const now = positions[Number(this.slider.value)];
    const usual = positions.find((p) => p.value === today);
    if (!now || !usual) return;
    const words = now.value === today ? _("{a}, as today", { a: now.value }) : _("{a}, today {b}", { a: now.value, b: today });
    setText(this.value, words);
    this.slider.setAttribute("aria-valuetext", words);
    setText(this.counts, countsInWords(now, usual));
    this.picture.replaceChildren(drawFlags(this.found, now, (told) => setText(this.told, told)));
  }

  show() {} // nothing here is live

  close() {
    this.host.replaceChildren();
  }
}

/**
 * @param {Position} now
 * @param {Position} usual
 */
function countsInWords(now, usual) {
  const levels = LEVELS.slice(1);
  /** @param {Position} p @param {string} level */
  const count = (p, level) => p.calls[level] ?? 0;
  /** @param {Position} p */
  const all = (p) => levels.reduce((sum, level) => sum + count(p, level), 0);
  /** @param {number} here @param {number} there */
  const beside = (here, there) => (now === usual ? `${here}` : _("{a} (today {b})", { a: here, b: there }));
  return _("Calls in this shift: {a}; {b}.", { a: beside(all(now), all(usual)), b: levels.map((level) => `${said(level)} ${beside(count(now, level), count(usual, level))}`).join(", ") });
}
