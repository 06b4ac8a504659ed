// A bed's last contractions, recorded and timed by hand: when, how far apart, how long, how much rest between.

import { ifChanged, make, say, timeOf } from "./elements.mjs";

const SHOWN = 10;

export class Contractions {
  constructor() {
    this.root = make("section", "box");
    this.since = make("p", "since");
    this.table = make("table", "contractions");
    this.root.append(make("h2", "", "Contractions"), this.since, this.table);
  }

  show(card, strip) {
    const recorded = spans(strip, "contraction");
    const hand = spans(strip, "hand-contraction");
    const now = card.t ? card.t / 1000 + 1 + (card.age_s ?? 0) : strip.last + 1; // goes on while nothing comes
    const last = [card.contraction_from_s, card.hand?.running_from_s, hand.at(0)?.from].filter((s) => s !== null && s !== undefined);
    say(this.since, last.length ? `${lengthOf(now - Math.max(...last))} since the last one began` : "none seen in the last half hour");
    const rows = [...rowsOf(recorded, ""), ...rowsOf(hand, "by hand")].sort((a, b) => b.from - a.from).slice(0, SHOWN);
    ifChanged(this.table, rows, () => this.table.replaceChildren(head(), ...rows.map(line)));
    this.table.hidden = rows.length === 0;
  }
}

function spans(strip, kind) {
  return strip.marks.filter((mark) => mark.kind === kind && mark.to !== null).sort((a, b) => b.from - a.from);
}

// Newest first; each with what lies between it and the one before.
function rowsOf(newestFirst, how) {
  return newestFirst.map((one, i) => {
    const before = newestFirst[i + 1];
    return { from: one.from, interval: before ? one.from - before.from : null, length: one.to - one.from, rest: before ? Math.max(0, one.from - before.to) : null, how };
  });
}

function head() {
  const row = make("tr");
  for (const words of ["start", "since the one before", "long", "rest before it", ""]) row.append(Object.assign(make("th", "", words), { scope: "col" }));
  return row;
}

function line({ from, interval, length, rest, how }) {
  const row = make("tr");
  for (const words of [timeOf(from * 1000), interval === null ? "–" : lengthOf(interval), `${Math.round(length)} s`, rest === null ? "–" : lengthOf(rest), how]) row.append(make("td", "", words));
  return row;
}

function lengthOf(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  return whole < 60 ? `${whole} s` : `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
}
