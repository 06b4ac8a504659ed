// Bed: one strip, what was found on it, what people do, and its log.

import { Acknowledge } from "../bedside/acknowledge.mjs";
import { Bedside } from "../bedside/bedside.mjs";
import { utcOffset } from "../shared/fetch.mjs";
import { draw } from "../shared/draw.mjs";
import { make, setClass, setHidden, setShape, setText, shape } from "../shared/elements.mjs";
import { heightToScale } from "../shared/geometry.mjs";
import { _, said } from "../shared/language.mjs";
import { LogReader } from "../shared/log_reader.mjs";
import { onOptions, options } from "../shared/options.mjs";
import { stripStyle } from "../shared/strip_style.mjs";
import { cameFrom, fullReason, headline, signalWords, stateClasses, timeOf, waiting, wholeLine } from "../shared/words.mjs";
import { Contractions } from "./contractions.mjs";
import { Findings } from "./findings.mjs";
import { LogList } from "./log_list.mjs";
import { Notes } from "./notes.mjs";
import { Explanation } from "./explanation.mjs";

/** @import { Card, CareData, FrameHead, Strips } from "../shared/types" */

const USUAL_BPM = "20";

export default class BedView {
  /**
   * @param {HTMLElement} host
   * @param {CareData} data
   */
  constructor(host, { care }) {
    const bed = host.dataset.bed ?? "";
    this.host = host;
    this.bed = bed;
    const back = make("a", "back", _("‹ all beds"));
    back.href = "/";
    this.shape = shape();
    this.label = make("span", "label");
    this.facts = make("p", "about-her");
    this.headline = make("span", "headline");
    this.acknowledge = new Acknowledge(bed);
    this.waiting = make("span", "waiting");
    const links = make("nav", "papers");
    links.setAttribute("aria-label", _("More of {bed}", { bed }));
    this.paper = make("a", "", _("strip to print"));
    const sheet = make("a", "", _("hand-over sheet"));
    const hours = make("a", "", _("over hours"));
    this.paperPath = `/paper/${bed}?minutes=60&${utcOffset()}`;
    sheet.href = `/handover/${bed}?${utcOffset()}`;
    hours.href = `/bed/${bed}/hours`;
    this.paper.target = sheet.target = "_blank";
    links.append(hours, this.paper, sheet);
    const head = make("div", "head");
    head.append(back, this.shape, make("h1", "", bed), this.label, this.headline, this.acknowledge.going, this.acknowledge.button, this.waiting, this.acknowledge.result, links);
    this.reason = make("p", "reason");
    this.signal = make("p", "signal");
    this.canvas = make("canvas", "strip tall");
    this.canvas.setAttribute("role", "img");
    this.why = new Explanation(this.canvas, () => Number(options.minute));
    this.contractions = new Contractions();
    this.findings = new Findings();
    this.notes = new Notes();
    this.log = new LogList(bed);
    this.bedside = new Bedside(bed, care);
    this.reader = new LogReader(bed, (events) => {
      this.log.show(events);
      this.acknowledge.read(events);
      this.bedside.read(events);
    });
    this.below = make("div", "below");
    const middle = make("div", "middle");
    middle.append(this.contractions.root, this.notes.root, this.findings.root);
    this.below.append(this.bedside.root, middle, this.log.root);
    host.append(head, this.facts, this.reason, this.signal, this.canvas, this.why.root, this.below);
    /** @type {[head: FrameHead, strips: Strips] | null} */
    this.last = null; // what was shown last
    this.endOptions = onOptions(() => {
      if (this.last) this.show(...this.last);
    });
  }

  /**
   * @param {FrameHead} head
   * @param {Strips} strips
   */
  show(head, strips) {
    this.last = [head, strips];
    const found = head.beds.find((bed) => bed.card.bed === this.bed);
    setHidden(this.below, !found);
    if (!found) return setText(this.reason, _("No device of this bed has sent anything."));
    const { card } = found;
    setClass(this.host, `live bed ${stateClasses(card)}`);
    setShape(this.shape, card.shape);
    setText(this.headline, headline(card));
    setText(this.label, card.label);
    setText(this.facts, factsOf(card));
    setText(this.reason, wholeLine(card));
    setText(this.waiting, waiting(card));
    setText(this.signal, signalWords({ ...card, reason: fullReason(card) }, card.clock));
    this.acknowledge.show(card);
    this.bedside.show(card, head.policy, head.beds.map((bed) => bed.card));
    this.notes.show(card);
    this.findings.show(card, found.labour);
    this.reader.follow(card);
    const bpm = options.bpm === "fit" ? USUAL_BPM : options.bpm; // one strip always has room to be to scale
    this.canvas.style.height = `${heightToScale(stripStyle(), bpm)}px`;
    this.canvas.setAttribute("aria-label", _("Strip of {bed}, {minute} cm a minute, {bpm} bpm a centimetre", { bed: this.bed, minute: options.minute, bpm }));
    this.paper.href = `${this.paperPath}&cm=${options.minute}&bpm=${bpm}`;
    const strip = strips.get(this.bed);
    if (!strip) return;
    this.why.show(strip);
    this.contractions.show(card, strip);
    draw(this.canvas, strip, { minuteCm: Number(options.minute), bpmPerCm: bpm, text: true, runningFrom: card.running_from_s, runningFrom2: card.twins[1]?.running_from_s, handFrom: card.hand?.running_from_s ?? null });
  }

  close() {
    this.endOptions();
    this.host.replaceChildren();
  }
}

/**
 * What was said of the woman when she came.
 * @param {Card} card
 */
function factsOf(card) {
  const { label, facts, here_since: since } = card;
  return label && since !== null ? [...facts.map(said), cameFrom(card), _("here since {since}", { since: timeOf(since) })].filter(Boolean).join(" · ") : "";
}
