// One bed of the ward: its words, its strip, its numbers.

import { Acknowledge } from "../bedside/acknowledge.mjs";
import { drawIfMoved } from "../shared/draw.mjs";
import { button, make, say, setClass, setShape, setSignalMark, setText, shape, signalMark } from "../shared/elements.mjs";
import { _, N_, said } from "../shared/language.mjs";
import { LogReader } from "../shared/log_reader.mjs";
import { options } from "../shared/options.mjs";
import { headline, line, signalWords, stateClasses, waiting } from "../shared/words.mjs";

/** @import { Strip } from "../shared/strip.mjs" */
/** @import { Card } from "../shared/types" */

/** @type {[key: "baseline" | "variability" | "contractions" | "per10" | "concern", label: string, short: string][]} */
const NUMBERS = [
  ["baseline", N_("baseline"), N_("base")],
  ["variability", N_("variability"), N_("var.")],
  ["contractions", N_("contr."), N_("contr.")],
  ["per10", N_("in 10 min"), N_("/10 min")],
  ["concern", N_("concern"), N_("conc.")],
];

export class BedRow {
  /**
   * @param {string} bed
   * @param {(event: MouseEvent) => boolean} mayPress
   * @param {(bed: string) => void} onAct
   */
  constructor(bed, mayPress, onAct) {
    this.root = make("article", "band");
    this.root.dataset.bed = bed;
    this.shape = shape();
    this.link = make("a", "open", bed);
    this.link.href = `/bed/${bed}`;
    this.label = make("span", "label");
    this.headline = make("span", "headline");
    this.reason = make("p", "reason");
    this.waiting = make("span", "waiting");
    this.signal = make("p", "signal");
    this.headline.id = `headline-${bed}`;
    this.reason.id = `reason-${bed}`;
    this.link.setAttribute("aria-describedby", `${this.headline.id} ${this.reason.id}`);
    this.acknowledge = new Acknowledge(bed, mayPress);
    this.reader = new LogReader(bed, (events) => this.acknowledge.read(events));
    this.act = button("…", "act", (event) => {
      if (mayPress(event)) onAct(bed);
    });
    const head = make("div", "head");
    head.append(this.shape, this.link, this.label, this.headline, this.acknowledge.going, this.acknowledge.button, this.act);
    const answer = make("p", "answering");
    answer.append(this.waiting, this.acknowledge.result);
    const words = make("div", "words");
    const foot = make("div", "foot");
    foot.append(answer, this.signal);
    words.append(head, this.reason, foot);
    this.canvas = make("canvas", "strip");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", _("Strip of {bed}: fetal heart rate above, uterine activity below", { bed }));
    this.fhr = make("span", "big");
    const numbers = make("dl", "numbers");
    /** @type {Map<string, HTMLElement>} */
    this.values = new Map();
    for (const [key, label, short] of NUMBERS) {
      const name = make("dt", "", _(label));
      const value = make("dd");
      name.dataset.short = _(short); // where there are many beds
      name.dataset.key = value.dataset.key = key;
      this.values.set(key, value);
      numbers.append(name, value);
    }
    const side = make("div", "side");
    const rate = make("div", "rate");
    this.mark = signalMark();
    this.fhr2 = make("span", "big second-twin");
    rate.append(this.fhr, this.fhr2, make("span", "unit", _("bpm")), this.mark);
    side.append(rate, numbers);
    this.root.append(words, this.canvas, side);
  }

  /**
   * Everything but the strip, which is drawn when the words of all rows stand: to ask for its size between one row's words
   * and the next would lay out the whole page for each row.
   * @param {Card} card
   * @param {boolean} isFirst
   * @param {boolean} isShort there is little room for words
   */
  show(card, isFirst, isShort) {
    const isTwins = card.twins.length > 0;
    setClass(this.root, `band ${stateClasses(card)}${isFirst ? " first" : ""}${isTwins ? " twins" : ""}`);
    setShape(this.shape, card.shape);
    setText(this.headline, headline(card));
    setText(this.label, card.label);
    this.label.title = [card.label, ...card.facts.map(said)].join(", "); // where the row is too narrow for it
    setText(this.reason, line(card).join(" · "));
    const isEmpty = card.state === "empty";
    setText(this.act, isEmpty ? _("New arrival") : "…");
    this.act.title = isEmpty ? _("somebody has come to this bed") : _("care note, shelve, timing by hand, new arrival, has left");
    this.act.setAttribute("aria-label", isEmpty ? _("New arrival at {bed}", { bed: card.bed }) : _("What was done at {bed}", { bed: card.bed }));
    say(this.waiting, waiting(card, isShort));
    const signal = signalWords(card);
    setSignalMark(this.mark, card.signal, signal);
    setText(this.signal, signal === said(`signal ${card.signal}`) ? "" : signal); // the mark says it
    this.acknowledge.show(card);
    if (this.acknowledge.asked) this.reader.follow(card); // it may have been refused
    setText(this.fhr, card.fhr);
    setText(this.fhr2, card.twins[1]?.fhr ?? "");
    const each = isTwins ? card.twins : [card];
    const hasArrows = !(isTwins && isShort);
    const values = {
      baseline: each.map((one) => one.baseline + (hasArrows ? one.baseline_trend : "")).join("/"),
      variability: each.map((one) => one.variability + (hasArrows ? one.variability_trend : "")).join("/"),
      contractions: said(isShort ? card.contractions.replace("every ", "") : card.contractions),
      per10: said(card.contraction_rate.split(" in 10 min")[0] ?? ""),
      concern: card.concern === null ? "–" : card.concern.toFixed(0),
    };
    for (const [key] of NUMBERS) {
      const value = this.values.get(key);
      if (value) setText(value, values[key]);
    }
  }

  /**
   * @param {Card} card
   * @param {Strip | undefined} strip
   */
  draw(card, strip) {
    if (strip) drawIfMoved(this.canvas, strip, { minuteCm: Number(options.minute), bpmPerCm: options.bpm, runningFrom: card.running_from_s, runningFrom2: card.twins[1]?.running_from_s, handFrom: card.hand?.running_from_s ?? null });
  }
}
