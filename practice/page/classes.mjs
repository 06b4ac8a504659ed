// For whoever is in charge: sets with names, what a class has answered, and its export.

import { fetchJson } from "/assets/shared/fetch.mjs";
import { button, field, make, setText, statusLine } from "/assets/shared/elements.mjs";
import { _, N_, said } from "/assets/shared/language.mjs";
import { plain } from "/assets/shared/words.mjs";
import { progressPath } from "./choosing.mjs";
import { tableOf } from "./table.mjs";

/** @import { LearnerRow, SetRow, StripRow } from "./types" */

/** Who says what is true of a strip. @type {Record<string, string>} */
const TRUTHS = { simulation: N_("the simulation knows"), marks: N_("marks beside it"), annotations: N_("annotations in it"), detector: N_("nobody has marked it: the detector") };

export class ClassPanel {
  /** @param {() => { code: string, words: string }} chosen the strip that stands in the fields above */
  constructor(chosen) {
    this.chosen = chosen;
    /** @type {string[]} */
    this.own = []; // codes of the set that is being made
    this.queued = make("ol");
    this.link = make("a");
    this.name = field(_("name of the set"), "input", { maxLength: 64, pattern: "[A-Za-z0-9_\\-]+", placeholder: "spring-1" });
    this.title = field(_("title"), "input", { maxLength: 200 });
    this.told = statusLine("p", "hint");
    this.list = make("div");
    this.overview = make("div", "overview");
    this.folder = make("code");
    const add = button(_("Add this choice to a set"), "plain", () => this.add());
    const save = make("form", "choose");
    save.append(this.name.label, this.title.label, make("button", "plain", _("Save this set")));
    save.addEventListener("submit", (event) => {
      event.preventDefault();
      void this.save();
    });
    const recordings = make("p", "hint", _("Recordings of your own: put them, in any format that is read, into a folder of the set's name in "));
    recordings.append(this.folder, _(", each with its marks beside it (NAME.marks.csv or NAME.marks.toml)."));
    this.root = make("details", "fold queue");
    this.root.append(make("summary", "", _("For teachers: sets and classes")), make("p", "hint", _("Add one strip after the other; whoever opens the link gets them in this order, without their names. A set with a name stays, and what the class answers is kept with it.")), add, this.queued, this.link, save, this.told, this.list, recordings, this.overview);
    this.root.addEventListener("toggle", () => {
      if (this.root.open) void this.load();
    });
  }

  add() {
    const { code, words } = this.chosen();
    this.own.push(code);
    this.queued.append(make("li", "", words));
    const path = `/practice?set=${this.own.join(".")}`;
    this.link.href = path;
    setText(this.link, `${location.origin}${path}`);
  }

  async save() {
    const name = this.name.input.value.trim();
    if (!this.own.length || !name) return setText(this.told, _("Add strips, and write a name."));
    const body = JSON.stringify({ name, title: this.title.input.value.trim(), strips: this.own });
    if (!(await fetchJson("/practice/sets", (words) => setText(this.told, words), { method: "POST", body }))) return;
    setText(this.told, _("Saved: {name}.", { name }));
    this.own = [];
    this.queued.replaceChildren();
    this.link.removeAttribute("href");
    setText(this.link, "");
    await this.load();
  }

  async load() {
    /** @type {{ folder: string, sets: SetRow[] } | null} */
    const listed = await fetchJson("/practice/sets", (words) => setText(this.told, words));
    if (!listed) return;
    setText(this.folder, listed.folder);
    if (!listed.sets.length) return this.list.replaceChildren(make("p", "hint", _("No set has a name yet.")));
    const rows = listed.sets.map((one) => {
      if (one.trouble) return [one.name, one.trouble, "", String(one.answers), ""];
      const open = Object.assign(make("a", "", one.name), { href: `/practice?of=${one.name}` });
      const look = button(_("Overview"), "plain", () => void this.show(one.name));
      look.setAttribute("aria-label", _("Overview of {name}", { name: one.name }));
      return [open, one.title, String(one.strips), String(one.answers), look];
    });
    this.list.replaceChildren(tableOf(_("Sets"), [_("set (link for the class)"), _("title"), _("strips"), _("answers"), ""], rows));
  }

  /** @param {string} name */
  async show(name) {
    /** @type {{ strips: StripRow[], learners: LearnerRow[] } | null} */
    const overview = await fetchJson(`/practice/sets/${name}/overview`, (words) => setText(this.told, words));
    if (!overview) return;
    const strips = overview.strips.map((one) => [plain(one.name), one.trouble || truthOf(one), one.trouble ? "" : _("{n} min", { n: one.minutes }), one.trouble ? "" : String(one.events)]);
    const learners = overview.learners.map((one) => {
      const link = Object.assign(make("a", "", one.learner), { href: progressPath(one.learner) });
      return [link, _("{a} of {b}", { a: one.strips, b: overview.strips.length }), String(one.answers), one.mean_score.toFixed(0), said(one.trouble) || "–"];
    });
    const title = make("h2", "", _("Set {name}", { name }));
    const csv = Object.assign(make("a", "", _("All answers as CSV")), { href: `/practice/sets/${name}/results.csv` });
    const answers = learners.length ? tableOf(_("Learners of {name}", { name }), [_("learner"), _("strips done"), _("answers"), _("mean score"), _("most frequent mistake")], learners) : make("p", "hint", _("Nobody has answered yet."));
    this.overview.replaceChildren(title, answers, csv, tableOf(_("Strips of {name}", { name }), [_("strip"), _("what is true"), _("length"), _("to find")], strips));
    title.tabIndex = -1;
    title.focus();
  }
}

/** @param {StripRow} strip */
function truthOf({ truth }) {
  return _(TRUTHS[truth] ?? truth);
}
