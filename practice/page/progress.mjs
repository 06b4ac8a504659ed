// A learner's progress: for each kind of mistake, how often in each answer, the oldest on the left.

import { fetchJson } from "/assets/shared/fetch.mjs";
import { make, makeSvg, setText, statusLine } from "/assets/shared/elements.mjs";
import { learnerField } from "./choosing.mjs";
import { bars } from "./bars.mjs";
import { tableOf } from "./table.mjs";

/** @import { MistakeProgress, Progress } from "./types" */

const RECENT = 5; // as the server counts

export default class ProgressView {
  /** @param {HTMLElement} host */
  constructor(host) {
    this.host = host;
    const { label, input } = learnerField();
    this.learner = input;
    input.value = new URLSearchParams(location.search).get("label") ?? input.value;
    const form = make("form", "choose");
    form.append(label, make("button", "plain", "Show"));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      void this.load();
    });
    this.told = statusLine("p", "progress");
    this.picture = make("section", "box compared");
    this.picture.hidden = true;
    const back = Object.assign(make("a", "", "Back to practice"), { href: "/practice" });
    host.append(make("h1", "", "Your progress"), make("p", "about", "Answers on practice strips, by kind of mistake. For teaching; it says nothing about how anybody works with women."), form, this.told, this.picture, back);
    void this.load();
  }

  async load() {
    const label = this.learner.value.trim();
    this.picture.hidden = true;
    if (!label) return setText(this.told, "Write the label that you answer under.");
    /** @type {{ progress: Progress } | null} */
    const found = await fetchJson(`/practice/learner?label=${encodeURIComponent(label)}`, (words) => setText(this.told, words));
    if (!found) return;
    const { progress } = found;
    if (!progress.scores.length) return setText(this.told, `No answer has been kept under ${label}.`);
    setText(this.told, inWords(progress));
    const scores = progress.scores.map((score) => score / 100);
    const mean = progress.scores.reduce((sum, one) => sum + one, 0) / progress.scores.length;
    const last = progress.scores.slice(-RECENT);
    const kinds = [...progress.kinds].sort((a, b) => recent(b) - recent(a));
    this.picture.replaceChildren(
      tableOf(`Progress of ${label}`, ["", "each answer, the oldest on the left", "all answers", `last ${RECENT}`], [
        ["score", picture(scores, "score"), `${mean.toFixed(0)} of 100`, `${(last.reduce((sum, one) => sum + one, 0) / last.length).toFixed(0)} of 100`],
        ...kinds.map((one) => [one.kind, picture(one.shares, "mistake"), `${one.wrong} of ${one.of}`, `${one.recent_wrong} of ${one.recent_of}`]),
      ]),
      make("p", "hint", "A bar is as high as the share of occasions on which the mistake was made, a flat line says: none; no line, no occasion. On top what goes wrong most often now."),
    );
    this.picture.hidden = false;
  }

  show() {} // nothing here is live

  close() {
    this.host.replaceChildren();
  }
}

/** @param {MistakeProgress} one */
function recent(one) {
  return one.recent_of ? one.recent_wrong / one.recent_of : 0;
}

/** @param {Progress} progress */
function inWords({ scores, kinds }) {
  const worst = kinds.reduce((a, b) => (recent(b) > recent(a) ? b : a), /** @type {MistakeProgress} */ (kinds[0]));
  const answers = scores.length === 1 ? "1 answer" : `${scores.length} answers`;
  return worst && recent(worst) > 0 ? `${answers}. To work on now: ${worst.kind}, ${worst.recent_wrong} of the last ${worst.recent_of}.` : `${answers}, and no mistake of late.`;
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
