// What was done at a bed, newest first, and the trace before and after it side by side.

import { ifChanged, make } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { timeOf } from "../shared/words.mjs";

/** @import { Card, CareNote } from "../shared/types" */

export class Notes {
  constructor() {
    this.root = make("section", "box notes");
    this.list = make("div");
    this.root.append(make("h2", "", _("Before and after what was done")), this.list);
  }

  /** @param {Card} card */
  show(card) {
    this.root.hidden = card.notes.length === 0;
    ifChanged(this.list, card.notes, () => this.list.replaceChildren(...card.notes.map(article)));
  }
}

/** @param {CareNote} note */
function article(note) {
  const root = make("article", "note");
  const head = make("p", "note-head");
  head.append(make("time", "", timeOf(note.t)), make("span", "", `${said(note.what)}, ${note.by}`), make("strong", "", result(note)));
  const numbers = make("dl", "pairs");
  for (const [word, before, after, unit] of note.numbers) {
    const pair = make("div");
    const values = make("dd");
    values.append(make("span", "", before), ...(after ? [arrow(), make("strong", "", after)] : []), make("small", "", said(unit)));
    pair.append(make("dt", "", said(word)), values);
    numbers.append(pair);
  }
  root.append(head, numbers);
  return root;
}

function arrow() {
  const sign = make("span", "arrow", "→");
  sign.setAttribute("aria-label", _("afterwards"));
  sign.setAttribute("role", "img");
  return sign;
}

/** @param {CareNote} note */
function result(note) {
  if (note.result) return said(note.result);
  return note.result_at === null ? _("result later") : _("result at {time}", { time: timeOf(note.result_at) });
}
