// Hours: one bed's signal over hours, with trends, findings and flags; to be zoomed into.

import { utcOffset } from "../shared/fetch.mjs";
import { button, hoursChoice, labelled, make, setText, statusLine } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";

/**
 * What is used of the library.
 * @typedef {object} Plotly
 * @property {(root: HTMLElement, data: unknown[], layout: object, config: object) => Promise<unknown>} react
 * @property {(root: HTMLElement) => void} purge
 */
/** @typedef {{ figure: { data: unknown[], layout: object }, is_empty: boolean }} Answer */

const LIBRARY = "/hours/plotly.js";
const HOURS = [1, 2, 4, 8];
const USUAL_HOURS = 2;

export default class HoursView {
  /** @param {HTMLElement} host */
  constructor(host) {
    this.host = host;
    this.bed = host.dataset.bed ?? "";
    const back = make("a", "back", `‹ ${this.bed}`);
    back.href = `/bed/${this.bed}`;
    this.hours = hoursChoice(HOURS, USUAL_HOURS);
    this.hours.addEventListener("change", () => void this.load());
    const head = make("div", "head");
    head.append(back, make("h1", "", _("{bed} over hours", { bed: this.bed })), labelled(_("show"), this.hours), button(_("Refresh"), "plain", () => void this.load()));
    this.told = statusLine("p", "told");
    this.plot = make("div", "plot");
    const box = make("div", "box");
    box.append(this.plot);
    host.append(head, this.told, box);
    void this.load();
  }

  async load() {
    const hours = this.hours.value;
    setText(this.told, _("Reading …"));
    try {
      const [plotly, answer] = await Promise.all([library(), fetch(`/hours/${this.bed}.json?hours=${hours}&${utcOffset()}`)]);
      if (!answer.ok) return setText(this.told, said(await answer.text()));
      /** @type {Answer} */
      const { figure, is_empty: isEmpty } = await answer.json();
      if (!this.host.isConnected || hours !== this.hours.value) return;
      if (isEmpty) return setText(this.told, _("Nothing of {bed} is kept.", { bed: this.bed }));
      await plotly.react(this.plot, figure.data, figure.layout, { displaylogo: false, responsive: true });
      setText(this.told, _("Drag to zoom in, double-click to reset. Point at a marking to see why it was labelled. Shaded: unanswered flag."));
    } catch {
      setText(this.told, _("The server does not answer."));
    }
  }

  show() {} // it is read when asked for

  close() {
    loaded()?.purge(this.plot);
    this.host.replaceChildren();
  }
}

/** @returns {Plotly | undefined} */
function loaded() {
  return /** @type {{ Plotly?: Plotly }} */ (/** @type {unknown} */ (window)).Plotly;
}

/** @returns {Promise<Plotly>} */
function library() {
  return new Promise((resolve, reject) => {
    const there = loaded();
    if (there) return resolve(there);
    const script = Object.assign(document.createElement("script"), { src: LIBRARY });
    script.addEventListener("error", reject);
    script.addEventListener("load", () => {
      const found = loaded();
      if (found) resolve(found);
      else reject(new Error("the library of figures did not begin"));
    });
    document.head.append(script);
  });
}
