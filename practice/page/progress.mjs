// A learner's progress: for each kind of mistake, how often in each answer, the oldest on the left.

import { fetchJson } from "/assets/shared/fetch.mjs";
import { make, makeSvg, setText, statusLine } from "/assets/shared/elements.mjs";
import { _, ngettext, said } from "/assets/shared/language.mjs";
import { learnerField } from "./choosing.mjs";
import { bars } from "./bars.mjs";
import { tableOf } from "./table.mjs";

/** @import { MistakeProgress, Progress } from "./types" */

export default class ProgressView {
  /** @param {HTMLElement} host */
  constructor(host) {
    this.host = host;
    const { label, input } = learnerField();
    this.learner = input;
    input.value = new URLSearchParams(location.search).get("label") ?? input.value;
    const form = make("form", "choose");
    form.append(label, make("button", "plain", _("Show")));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      void this.load();
    });
    this.told = statusLine("p", "progress");
    this.picture = make("section", "box compared");
    this.picture.hidden = true;
    const back = Object.assign(make("a", "", _("Back to practice")), { href: "/practice" });
    host.append(make("h1", "", _("Your progress")), make("p", "about", _("Answers on practice strips, by kind of mistake. For teaching only; it says nothing about how anybody works at the bedside.")), form, this.told, this.picture, back);
    void this.load();
  }

  async load() {
    const label = this.learner.value.trim();
    this.picture.hidden = true;
    if (!label) return setText(this.told, _("Write the label under which you answer."));
    /** @type {{ progress: Progress } | null} */
    const answered = await fetchJson(`/practice/learner?label=${encodeURIComponent(label)}`, (words) => setText(this.told, words));
    if (!answered) return;
    const { progress } = answered;
    if (!progress.scores.length) return setText(this.told, _("No answer has been kept under {label}.", { label }));
    setText(this.told, inWords(progress));
    const scores = progress.scores.map((score) => score / 100);
    const mean = progress.scores.reduce((sum, one) => sum + one, 0) / progress.scores.length;
    const last = progress.scores.slice(-progress.recent);
    const kinds = [...progress.kinds].sort((a, b) => recent(b) - recent(a));
    this.picture.replaceChildren(
      tableOf(_("Progress of {label}", { label }), ["", _("each answer, the oldest on the left"), _("all answers"), _("last {n}", { n: progress.recent })], [
        [_("score"), picture(scores, "score"), of(mean.toFixed(0), 100), of((last.reduce((sum, one) => sum + one, 0) / last.length).toFixed(0), 100)],
        ...kinds.map((one) => [said(one.kind), picture(one.shares, "mistake"), of(one.wrong, one.of), of(one.recent_wrong, one.recent_of)]),
      ]),
      make("p", "hint", _("The height of a bar is how often the mistake was made, out of the times it could have been. A flat line: never. No line: it could not have been made. What goes wrong most often now is on top.")),
    );
    this.picture.hidden = false;
  }

  show() {} // nothing here is live

  close() {
    this.host.replaceChildren();
  }
}

/** @param {string | number} part @param {number} whole */
function of(part, whole) {
  return _("{a} of {b}", { a: part, b: whole });
}

/** @param {MistakeProgress} one */
function recent(one) {
  return one.recent_of ? one.recent_wrong / one.recent_of : 0;
}

/** @param {Progress} progress */
function inWords({ scores, kinds }) {
  const worst = kinds.reduce((a, b) => (recent(b) > recent(a) ? b : a), /** @type {MistakeProgress} */ (kinds[0]));
  const answers = ngettext("{n} answer", "{n} answers", scores.length);
  return worst && recent(worst) > 0 ? _("{answers}. To work on now: {kind}, {a} of the last {b}.", { answers, kind: said(worst.kind), a: worst.recent_wrong, b: worst.recent_of }) : _("{answers}, no mistake lately.", { answers });
}

/**
 * @param {(number | null)[]} shares
 * @param {string} className
 */
function picture(shares, className) {
  const { width, height, rects } = bars(shares);
  const svg = makeSvg("svg", { viewBox: `0 0 ${width} ${height}`, width, height, class: `bars ${className}`, "aria-hidden": "true" });
  for (const { isNone, ...rect } of rects) svg.append(makeSvg("rect", { class: isNone ? "none" : "some", ...rect }));
  return svg;
}
