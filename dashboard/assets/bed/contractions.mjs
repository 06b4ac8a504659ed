// A bed's last contractions as a table.

import { ifChanged, make, setText } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { minutesAndSeconds, timeOf } from "../shared/words.mjs";
import { rowsOf, sinceLast } from "./timing.mjs";

/** @import { Strip } from "../shared/strip.mjs" */
/** @import { Card } from "../shared/types" */
/** @import { Row } from "./timing.mjs" */

export class Contractions {
  constructor() {
    this.root = make("section", "box");
    this.since = make("p", "since");
    this.table = make("table", "contractions");
    this.root.append(make("h2", "", _("Contractions")), this.since, this.table);
  }

  /**
   * @param {Card} card
   * @param {Strip} strip
   */
  show(card, strip) {
    const since = sinceLast(card, strip.marks, strip.last);
    setText(this.since, since === null ? _("none seen in the last half hour") : _("{time} since the last one began", { time: minutesAndSeconds(since) }));
    const rows = rowsOf(strip.marks);
    ifChanged(this.table, rows, () => this.table.replaceChildren(head(), ...rows.map(line)));
    this.table.hidden = rows.length === 0;
  }
}

function head() {
  const row = make("tr");
  for (const words of [_("Start"), _("Interval"), _("Duration"), _("Rest"), ""]) {
    const cell = make("th", "", words);
    cell.scope = "col";
    row.append(cell);
  }
  return row;
}

/** @param {Row} row */
function line({ from, interval, length, rest, how }) {
  const row = make("tr");
  const between = [interval, rest].map((seconds) => (seconds === null ? "–" : minutesAndSeconds(seconds)));
  for (const words of [timeOf(from * 1000), between[0], _("{n} s", { n: Math.round(length) }), between[1], said(how)]) row.append(make("td", "", words));
  return row;
}
