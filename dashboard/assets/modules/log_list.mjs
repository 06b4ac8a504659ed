// A bed's log in plain words.

import { field, make, plain } from "./elements.mjs";

const SHOWN = 60;
const WORDS = {
  "flag-raised": "raised",
  "flag-worsened": "worse",
  "flag-escalated": "nobody came",
  "flag-lowered": "lower",
  "flag-eased": "eased",
  "flag-acknowledged": "answered",
  "flag-shelved": "shelved",
  "flag-renewed": "something new",
  "flag-repeated": "still so",
  "flag-returned": "did not help",
  "shelf-over": "shelf is over",
  "held-back": "kept quiet",
  care: "done",
  "care-result": "result",
  pause: "monitor off",
  "pause-over": "monitor on",
  "hand-contraction": "by hand",
  "hand-undone": "taken back",
  "own-limit": "own limit",
  "own-limit-over": "policy's limit",
  "not-taken": "not taken",
  "baseline-change": "baseline",
  "signal-mark": "signal",
};
const BY_PEOPLE = new Set(["flag-acknowledged", "flag-shelved", "care", "pause", "hand-contraction", "hand-undone", "own-limit", "not-taken"]);

export function word(kind) {
  return WORDS[kind] ?? plain(kind);
}

export class LogList {
  constructor(bed) {
    this.events = [];
    this.root = make("section", "box");
    this.list = make("ol", "log");
    const quiet = field("without what was kept quiet", "input", { type: "checkbox" });
    this.hidesHeldBack = quiet.input;
    quiet.input.addEventListener("change", () => this.draw());
    const all = make("p", "all");
    all.append("All of it: ");
    for (const ending of ["csv", "json"]) {
      const link = make("a", "", ending.toUpperCase());
      link.href = `/export/${bed}/log.${ending}`;
      all.append(link, " ");
    }
    const tools = make("div", "tools");
    tools.append(quiet.label, all);
    this.root.append(make("h2", "", "Log"), tools, this.list);
  }

  show(events) {
    this.events = events;
    this.draw();
  }

  draw() {
    const chosen = this.events.filter((event) => !(this.hidesHeldBack.checked && event.kind === "held-back"));
    this.list.replaceChildren(...chosen.slice(0, SHOWN).map(line));
  }
}

function line(event) {
  const item = make("li", group(event.kind));
  const time = make("time", "", new Date(event.t).toLocaleTimeString([], { hourCycle: "h23" }));
  const { by } = event.detail;
  const said = event.text === word(event.kind) ? "" : event.text;
  const text = by && !said.includes(by) ? `${said} (${by})` : said;
  item.append(time, make("span", "kind", word(event.kind)), make("span", "", text));
  return item;
}

function group(kind) {
  if (kind === "held-back") return "kept-quiet";
  if (BY_PEOPLE.has(kind)) return "person";
  return kind.startsWith("flag") ? "flag" : "";
}
