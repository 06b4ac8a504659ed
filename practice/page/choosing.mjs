// Which strip is practised on, and who practises.

import { field, labelled, make, statusLine } from "/assets/shared/elements.mjs";
import { _ } from "/assets/shared/language.mjs";
import { memory } from "/assets/shared/memory.mjs";
import { plain } from "/assets/shared/words.mjs";

/** @import { Scenarios } from "./types" */

const LEARNER_KEY = "quietward-learner";

export class Chooser {
  /** @param {() => void} onNew a strip is asked for that belongs to no set */
  constructor(onNew) {
    /** @type {Scenarios} */
    this.known = { largest_seed: 0, scenarios: [] };
    this.scenario = make("select");
    this.scenario.append(new Option(_("random (hidden)"), ""));
    this.seed = Object.assign(make("input"), { type: "number", min: "0", max: "9999", step: "1", placeholder: _("random") });
    const line = make("form", "choose");
    line.append(labelled(_("labour"), this.scenario), labelled(_("number"), this.seed), make("button", "plain", _("New strip")));
    line.addEventListener("submit", (event) => {
      event.preventDefault();
      onNew();
    });
    const { label, input } = learnerField();
    this.learner = input;
    this.own = make("a", "", _("Your progress"));
    input.addEventListener("input", () => this.showLink());
    this.showLink();
    const learner = make("p", "choose");
    learner.append(label, make("span", "hint", _("no real name needed; without a label nothing is kept")), this.own);
    this.progress = statusLine("p", "progress");
    this.root = make("div", "chooser");
    this.root.append(line, learner, this.progress);
  }

  showLink() {
    this.own.href = progressPath(this.learner.value.trim());
    this.own.hidden = !this.learner.value.trim();
  }

  /** @param {Scenarios} known */
  offer(known) {
    this.known = known;
    for (const { name } of known.scenarios) this.scenario.append(new Option(plain(name), name));
    this.seed.max = String(known.largest_seed);
  }

  /** Code of what is chosen, and its name in words; what is left open is drawn. */
  chosen() {
    const { scenarios, largest_seed: largest } = this.known;
    const one = scenarios.find(({ name }) => name === this.scenario.value) ?? scenarios[Math.floor(Math.random() * scenarios.length)];
    const seed = this.seed.value === "" ? Math.floor(Math.random() * (largest + 1)) : Number(this.seed.value);
    return { code: `${one?.digest ?? ""}-${seed}`, words: _("{labour}, number {n}", { labour: this.scenario.value ? plain(this.scenario.value) : _("random"), n: seed }) };
  }
}

/** A field for the label under which answers are kept; this browser remembers it. */
export function learnerField() {
  const label = field(_("your label"), "input", { maxLength: 64, autocomplete: "off" });
  label.input.value = memory.get(LEARNER_KEY) ?? "";
  label.input.addEventListener("input", () => memory.set(LEARNER_KEY, label.input.value.trim()));
  return label;
}

/** @param {string} label */
export function progressPath(label) {
  return `/practice/progress?label=${encodeURIComponent(label)}`;
}
