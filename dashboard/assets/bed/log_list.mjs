// A bed's log in plain words.

import { field, make } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { word } from "../shared/log_words.mjs";
import { timeOfDay } from "../shared/words.mjs";

/** @import { LogEvent } from "../shared/types" */

const SHOWN = 60;
const CALLED_NOBODY = new Set(["held-back", "noted", "noted-over"]);
const BY_PEOPLE = new Set(["flag-acknowledged", "flag-shelved", "care", "pause", "hand-contraction", "hand-undone", "own-limit", "not-taken"]);

export class LogList {
  /** @param {string} bed */
  constructor(bed) {
    /** @type {LogEvent[]} */
    this.events = [];
    this.root = make("section", "box");
    this.list = make("ol", "log");
    this.list.tabIndex = 0; // it scrolls: not in every browser by the keyboard otherwise
    this.list.setAttribute("aria-label", _("Log"));
    const quiet = field(_("Hide notes and suppressed alerts"), "input", { type: "checkbox" });
    this.hidesUncalled = quiet.input;
    quiet.input.addEventListener("change", () => this.draw());
    const all = make("p", "all");
    all.append(_("Download full log: "));
    for (const ending of ["csv", "json"]) {
      const link = make("a", "", ending.toUpperCase());
      link.href = `/export/${bed}/log.${ending}`;
      all.append(link, " ");
    }
    const tools = make("div", "tools");
    tools.append(quiet.label, all);
    this.root.append(make("h2", "", _("Log")), tools, this.list);
  }

  /** @param {LogEvent[]} events */
  show(events) {
    this.events = events;
    this.draw();
  }

  draw() {
    const chosen = this.events.filter((event) => !(this.hidesUncalled.checked && CALLED_NOBODY.has(event.kind)));
    this.list.replaceChildren(...chosen.slice(0, SHOWN).map(line));
  }
}

/** @param {LogEvent} event */
function line(event) {
  const item = make("li", group(event.kind));
  const { by } = event.detail;
  const isName = said(event.text) === word(event.kind);
  const text = isName ? "" : said(event.text);
  const whole = by && !event.text.includes(String(by)) ? `${text} (${by})`.trim() : text;
  item.append(make("time", "", timeOfDay(event.t)), make("span", "kind", word(event.kind)), make("span", "", whole));
  return item;
}

/** @param {string} kind */
function group(kind) {
  if (CALLED_NOBODY.has(kind)) return "kept-quiet";
  if (BY_PEOPLE.has(kind)) return "person";
  return kind.startsWith("flag") ? "flag" : "";
}
