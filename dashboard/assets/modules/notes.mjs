// What was done at a bed, newest first, and the trace before and after it side by side.

import { ifChanged, make, timeOf } from "./elements.mjs";

export class Notes {
  constructor() {
    this.root = make("section", "box notes");
    this.list = make("div");
    this.root.append(make("h2", "", "Before and after what was done"), this.list);
  }

  show(card) {
    this.root.hidden = card.notes.length === 0;
    ifChanged(this.list, card.notes, () => this.list.replaceChildren(...card.notes.map(note)));
  }
}

function note(one) {
  const root = make("article", "note");
  const head = make("p", "note-head");
  head.append(make("time", "", timeOf(one.t)), make("span", "", `${one.what}, ${one.by}`), make("strong", "", result(one)));
  const numbers = make("dl", "pairs");
  for (const [word, before, after, unit] of one.numbers) {
    const pair = make("div");
    const values = make("dd");
    values.append(make("span", "", before), ...(after ? [arrow(), make("strong", "", after)] : []), make("small", "", unit));
    pair.append(make("dt", "", word), values);
    numbers.append(pair);
  }
  root.append(head, numbers);
  return root;
}

function arrow() {
  const sign = make("span", "arrow", "→");
  sign.setAttribute("aria-label", "afterwards");
  sign.setAttribute("role", "img");
  return sign;
}

function result(one) {
  if (one.result) return one.result;
  return one.result_at === null ? "result later" : `result at ${timeOf(one.result_at)}`;
}
