// Hours: one bed's signal over hours, with trends, findings and flags; to be zoomed into.

import { button, make, say } from "./elements.mjs";

const LIBRARY = "/hours/plotly.js";
const HOURS = [1, 2, 4, 8];
const offset = () => `utc-offset-min=${-new Date().getTimezoneOffset()}`;

export class HoursView {
  constructor(host) {
    this.host = host;
    this.bed = host.dataset.bed;
    const back = make("a", "back", `‹ ${this.bed}`);
    back.href = `/bed/${this.bed}`;
    this.hours = make("select");
    for (const hours of HOURS) this.hours.append(new Option(hours === 1 ? "the last hour" : `the last ${hours} hours`, hours));
    this.hours.value = 2;
    this.hours.addEventListener("change", () => this.load());
    const label = make("label", "field");
    label.append(make("span", "", "show"), this.hours);
    const head = make("div", "head");
    head.append(back, make("h1", "", `${this.bed} over hours`), label, button("Read again", "plain", () => this.load()));
    this.told = make("p", "told", "");
    this.told.setAttribute("role", "status");
    this.plot = make("div", "plot");
    const box = make("div", "box");
    box.append(this.plot);
    host.append(head, this.told, box);
    this.load();
  }

  async load() {
    const hours = this.hours.value;
    say(this.told, "Reading …");
    try {
      const [Plotly, answer] = await Promise.all([library(), fetch(`/hours/${this.bed}.json?hours=${hours}&${offset()}`)]);
      if (!answer.ok) return say(this.told, await answer.text());
      const { figure, is_empty: isEmpty } = await answer.json();
      if (!this.host.isConnected || hours !== this.hours.value) return;
      if (isEmpty) return say(this.told, `Nothing of ${this.bed} is kept.`);
      await Plotly.react(this.plot, figure.data, figure.layout, { displaylogo: false, responsive: true });
      say(this.told, "Drag over a part to see it larger, twice pressed shows all. Point at a mark to see why it is called what it is. Filled over the concern: a flag nobody had answered.");
    } catch {
      say(this.told, "The server does not answer.");
    }
  }

  show() {} // it is read when asked for

  close() {
    if (window.Plotly) window.Plotly.purge(this.plot);
    this.host.replaceChildren();
  }
}

function library() {
  if (window.Plotly) return Promise.resolve(window.Plotly);
  return new Promise((resolve, reject) => {
    const script = Object.assign(document.createElement("script"), { src: LIBRARY, onload: () => resolve(window.Plotly), onerror: reject });
    document.head.append(script);
  });
}
