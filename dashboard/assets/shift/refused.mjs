// What devices sent that could not be used as it came, for whoever is in charge. A device may send anything: it is shown
// as text.

import { make, setText } from "../shared/elements.mjs";
import { _, language, N_, ngettext, said } from "../shared/language.mjs";
import { plain, timeOf } from "../shared/words.mjs";

/** @import { Refused } from "../shared/types" */

const SHOWN = 40;
const LONGEST_SAID = 300; // to look up what a device has made longer than any of ours would take the page's time
/** @type {Record<string, string>} */
const REASONS = {
  bed: N_("from a device that is not expected here, or the ward is full"),
  broken: N_("could not be checked: a fault in quietward"),
  "content-type": N_("in a format that is not known"),
  failed: N_("the detector could not take it"),
  field: N_("a value is missing, or cannot be right"),
  "ignored-field": N_("used, but for fields that are not known"),
  json: N_("cannot be read (JSON)"),
  late: N_("came too late"),
  packet: N_("cannot be read (MQTT)"),
  rate: N_("more messages than a device may send"),
  repeated: N_("came twice"),
  senml: N_("cannot be read (SenML)"),
  size: N_("a message that is too long"),
  status: N_("a status that is neither online nor offline"),
  superseded: N_("from a second device under this bed's name"),
  time: N_("its time cannot be right"),
  topic: N_("sent to no bed's address"),
  unreadable: N_("the detector could not read it"),
};

export class RefusedTable {
  constructor() {
    this.root = make("section", "box");
    this.root.hidden = true; // until it is known what was refused
    this.title = make("h2", "", _("What was refused"));
    this.hint = make("p", "hint");
    this.table = make("table", "refused");
    this.body = make("tbody");
    this.more = make("p", "hint");
    const head = make("tr");
    for (const name of [_("bed"), _("reason"), _("count"), _("newest"), _("example")]) {
      const cell = make("th", "", name);
      cell.scope = "col";
      head.append(cell);
    }
    const top = make("thead");
    top.append(head);
    this.table.append(top, this.body);
    this.root.append(this.title, this.hint, this.table, this.more);
    /** @type {Map<string, Row>} */
    this.rows = new Map(); // by part, bed and reason
  }

  /**
   * @param {Refused[]} refused the most frequent first
   * @param {number} now ms
   */
  show(refused, now) {
    this.root.hidden = false;
    const isEmpty = refused.length === 0;
    this.title.hidden = this.table.hidden = isEmpty;
    setText(this.hint, isEmpty ? _("Nothing that devices have sent was refused.") : _("What devices have sent since this ward began that could not be used as it came."));
    const rest = refused.length - SHOWN;
    this.more.hidden = rest <= 0;
    setText(this.more, _("Not shown here: {n} more. All of them: quietward refused", { n: rest }));
    const before = this.rows;
    this.rows = new Map();
    for (const one of refused.slice(0, SHOWN)) {
      const key = `${one.by} ${one.bed} ${one.reason}`;
      const row = before.get(key) ?? new Row(); // the same one, so that what is open stays open
      row.show(one, now);
      this.rows.set(key, row);
    }
    this.place([...this.rows.values()].map((row) => row.root));
  }

  /** @param {HTMLElement[]} rows */
  place(rows) {
    const { children } = this.body;
    if (children.length === rows.length && rows.every((row, i) => row === children[i])) return;
    const focused = this.body.contains(document.activeElement) ? document.activeElement : null;
    this.body.replaceChildren(...rows);
    if (focused instanceof HTMLElement) focused.focus();
  }
}

class Row {
  constructor() {
    this.root = make("tr");
    this.cells = ["", "", "count", "newest"].map((name) => make("td", name));
    this.example = make("details");
    this.why = make("p", "why");
    this.message = make("pre", "message");
    this.example.append(make("summary", "", _("why, and the message")), this.why, this.message);
    const last = make("td");
    last.append(this.example);
    this.root.append(...this.cells, last);
  }

  /**
   * @param {Refused} one
   * @param {number} now ms
   */
  show(one, now) {
    const bed = one.bed === "?" ? _("no bed of this ward") : one.bed;
    const count = one.by === "detect" ? _("{n} s of signal", { n: one.count }) : ngettext("1 message", "{n} messages", one.count);
    [bed, reasonWords(one.reason), count, newestWords(one.at, now)].forEach((words, i) => {
      const cell = this.cells[i];
      if (cell) setText(cell, words);
    });
    this.example.hidden = one.at === null;
    setText(this.why, whyWords(one.text));
    setText(this.message, visible(one.payload));
  }
}

/** @param {string} reason */
export function reasonWords(reason) {
  return _(REASONS[reason] ?? plain(reason));
}

/**
 * The time of day, with the day where that was not today; empty where none is kept.
 * @param {number | null} at ms
 * @param {number} now ms
 */
export function newestWords(at, now) {
  if (at === null) return "";
  if (new Date(at).toDateString() === new Date(now).toDateString()) return timeOf(at);
  const day = new Date(at).toLocaleDateString(language().name, { day: "2-digit", month: "2-digit" });
  return `${day} ${timeOf(at)}`;
}

/**
 * Why a message was refused, sentence by sentence. What a device has written is in it.
 * @param {string} text
 */
export function whyWords(text) {
  const shown = visible(text);
  return shown.length > LONGEST_SAID ? shown : shown.split(". ").map(said).join(". ");
}

/**
 * A text in which all can be seen that has no shape, or would turn the direction of what follows.
 * @param {string} text
 */
export function visible(text) {
  return text.replace(/(?! )[\p{C}\p{Z}]/gu, (one) => {
    const escaped = JSON.stringify(one).slice(1, -1);
    return escaped === one ? `\\u{${one.codePointAt(0)?.toString(16)}}` : escaped;
  });
}
