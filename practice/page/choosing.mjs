// Which strip is practised on: a labour and a number, or the strips of a set in its order.

import { button, labelled, make, setText, statusLine } from "/assets/shared/elements.mjs";
import { plain } from "/assets/shared/words.mjs";

/** @import { Scenarios } from "./types" */

export class Chooser {
  /** @param {() => void} onNew a strip is asked for that belongs to no set */
  constructor(onNew) {
    /** @type {Scenarios} */
    this.known = { largest_seed: 0, scenarios: [] };
    /** @type {string[]} */
    this.own = []; // codes of the set that is being made
    this.scenario = make("select");
    this.scenario.append(new Option("random (hidden)", ""));
    this.seed = Object.assign(make("input"), { type: "number", min: "0", max: "9999", step: "1", placeholder: "random" });
    const line = make("form", "choose");
    line.append(labelled("labour", this.scenario), labelled("number", this.seed), make("button", "plain", "New strip"));
    line.addEventListener("submit", (event) => {
      event.preventDefault();
      onNew();
    });
    const queue = make("details", "fold queue");
    this.queued = make("ol");
    this.link = make("a");
    const add = button("Add this choice to a set", "plain", () => this.addToSet());
    queue.append(make("summary", "", "For teachers: a set of strips"), make("p", "hint", "Add one strip after the other; whoever opens the link gets them in this order, without their names."), add, this.queued, this.link);
    this.progress = statusLine("p", "progress");
    this.root = make("div", "chooser");
    this.root.append(line, queue, this.progress);
  }

  /** @param {Scenarios} known */
  offer(known) {
    this.known = known;
    for (const { name } of known.scenarios) this.scenario.append(new Option(plain(name), name));
    this.seed.max = String(known.largest_seed);
  }

  /** Code of what is chosen; what is left open is drawn. */
  chosen() {
    const { scenarios, largest_seed: largest } = this.known;
    const one = scenarios.find(({ name }) => name === this.scenario.value) ?? scenarios[Math.floor(Math.random() * scenarios.length)];
    const seed = this.seed.value === "" ? Math.floor(Math.random() * (largest + 1)) : Number(this.seed.value);
    return { code: `${one?.digest ?? ""}-${seed}`, seed };
  }

  addToSet() {
    const { code, seed } = this.chosen();
    this.own.push(code);
    this.queued.append(make("li", "", `${this.scenario.value ? plain(this.scenario.value) : "random"}, number ${seed}`));
    const path = `/practice?set=${this.own.join(".")}`;
    this.link.href = path;
    setText(this.link, `${location.origin}${path}`);
  }
}
