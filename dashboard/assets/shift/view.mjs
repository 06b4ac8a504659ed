// Shift: what happened at all beds in the last hours, what it adds up to, and what can be taken to the hand-over.

import { utcOffset } from "../shared/fetch.mjs";
import { send } from "../bedside/send.mjs";
import { button, hoursChoice, ifChanged, labelled, make, setText, statusLine } from "../shared/elements.mjs";
import { _, N_, said } from "../shared/language.mjs";
import { role } from "../shared/user.mjs";
import { plain, timeOf } from "../shared/words.mjs";
import { RefusedTable } from "./refused.mjs";
import { legend, timeline } from "./timeline.mjs";

/** @import { BedShift } from "./timeline.mjs" */
/** @import { FormerStay, FrameHead, Refused } from "../shared/types" */

/** @typedef {{ name: string, value: string, meaning: string }} Figure */
/** @typedef {{ at: number, who: string, role: string, what: string, bed: string, to: string }} AuditEntry */
/** @typedef {FormerStay & { bed: string }} Former */
/** @typedef {{ hours: number, beds: BedShift[], figures: Figure[] }} Shift */

const AGAIN_MS = 10_000;
const HOURS = [1, 2, 4, 8, 12, 24];
const USUAL_HOURS = 12;
const ENTRIES_SHOWN = 40;
/** @type {Record<string, string>} what is pressed for it */
const ACTIONS = {
  acknowledge: N_("Acknowledge"),
  attend: N_("Going"),
  shelve: N_("Shelve"),
  unshelve: N_("Unshelve"),
  care: N_("What was done"),
  pause: N_("Monitor off or back on"),
  tap: N_("Contractions by hand"),
  "own-limit": N_("This bed's limits"),
  arrive: N_("New arrival"),
  leave: N_("Has left"),
  move: N_("Move to another bed"),
  "correct-arrival": N_("Correct her details"),
  "undo-stay": N_("Undo"),
  "take-in": N_("Take in"),
  forget: N_("Delete record"),
};
const REFUSED = ": refused"; // what the server puts behind it

export default class ShiftView {
  /** @param {HTMLElement} host */
  constructor(host) {
    this.host = host;
    this.hours = hoursChoice(HOURS, USUAL_HOURS);
    this.isChosen = false; // until then the least is shown that holds all that is on record
    this.drawnAt = 0;
    this.hours.addEventListener("change", () => {
      this.isChosen = true;
      void this.load();
    });
    const ward = make("a", "", _("hand-over of the ward, one page"));
    const sheets = make("a", "", _("hand-over sheets of all beds"));
    ward.href = `/handover?${utcOffset()}`;
    sheets.href = `/handover-sheets?${utcOffset()}`;
    ward.target = sheets.target = "_blank";
    this.csv = make("a", "", _("all flags as CSV"));
    const tools = make("div", "choose");
    this.asOf = make("span", "progress");
    tools.append(labelled(_("show"), this.hours), ward, sheets, this.csv, this.asOf);
    this.trouble = make("p", "empty");
    this.trouble.hidden = true;
    this.picture = make("div", "shift");
    this.told = statusLine("p", "told");
    const picture = make("div", "box");
    picture.append(this.picture, legend(), this.told);
    this.figures = make("dl", "figures");
    const sums = make("section", "box");
    sums.append(make("h2", "", _("Shift summary")), this.figures);
    this.entries = make("table", "audit-log");
    this.audit = make("section", "box");
    this.audit.append(make("h2", "", _("Who did what on the page")), this.entries);
    this.audit.hidden = true;
    const below = make("div", "shift-parts");
    this.former = make("table", "former");
    this.records = make("section", "box records");
    this.deleted = statusLine("p", "result");
    this.records.append(make("h2", "", _("Records of women who have left")), this.former, this.deleted);
    this.records.hidden = true;
    this.refused = new RefusedTable();
    below.append(picture, sums, this.records, this.audit, this.refused.root);
    host.append(make("h1", "", _("What happened")), tools, this.trouble, below);
    this.timer = setInterval(() => void this.load(), AGAIN_MS);
    void this.load();
  }

  /** @returns {Promise<void>} */
  async load() {
    const hours = this.hours.value;
    this.csv.href = `/shift/flags.csv?hours=${hours}`;
    /** @type {Shift} */
    let found;
    try {
      const answer = await fetch(`/shift/flags.json?hours=${hours}`);
      if (!answer.ok) return this.fail(await answer.text());
      found = (await answer.json()).shift;
    } catch {
      return this.fail(_("The server does not answer. What is shown below is old."));
    }
    if (hours !== this.hours.value) return; // others have been chosen meanwhile
    if (!this.isChosen) {
      this.isChosen = true;
      const held = Math.max(0, ...found.beds.map((bed) => -bed.since_s)) / 3600;
      this.hours.value = String(HOURS.find((one) => one >= held && one <= USUAL_HOURS) ?? USUAL_HOURS);
      return this.load();
    }
    this.trouble.hidden = found.beds.length > 0;
    setText(this.trouble, found.beds.length ? "" : _("No device of this ward has sent anything yet."));
    const isRead = this.picture.contains(document.activeElement); // then it is drawn again when they have left
    if (!isRead) {
      this.drawnAt = Date.now();
      this.picture.replaceChildren(timeline(found.hours, found.beds, (words) => setText(this.told, words)));
      setText(this.told, _("Point at a flag, or move to it with the Tab key, to see why it was raised."));
    }
    setText(this.asOf, _("as of {time}", { time: timeOf(this.drawnAt) }) + (isRead ? _(", held while the keyboard is in it") : ""));
    this.figures.replaceChildren(...found.figures.map(figure));
    void this.readAudit();
    void this.readRefused();
  }

  async readAudit() {
    if (role() !== "in charge") return;
    const answer = await fetch("/audit.json").catch(() => null);
    if (!answer?.ok) return;
    /** @type {{ deeds: AuditEntry[] }} */
    const { deeds: entries } = await answer.json();
    this.audit.hidden = entries.length === 0;
    this.entries.replaceChildren(...entries.slice(0, ENTRIES_SHOWN).map(auditRow));
  }

  async readRefused() {
    if (role() !== "in charge") return;
    const answer = await fetch("/refused.json").catch(() => null);
    if (!answer?.ok) return;
    /** @type {{ refused: Refused[] }} */
    const { refused } = await answer.json();
    this.refused.show(refused, Date.now());
  }

  /** @param {string} text */
  fail(text) {
    this.trouble.hidden = false;
    setText(this.trouble, said(text));
  }

  /** @param {FrameHead} head */
  show(head) {
    const stays = head.beds.flatMap(({ card }) => card.former.map((stay) => ({ bed: card.bed, ...stay })));
    stays.sort((a, b) => b.ended - a.ended);
    this.records.hidden = stays.length === 0;
    const mayDelete = role() === "in charge";
    ifChanged(this.former, [stays, mayDelete], () => {
      this.former.replaceChildren(...stays.map((stay) => {
        const row = record(stay);
        if (mayDelete) row.append(this.deletion(stay));
        return row;
      }));
    });
  }

  /**
   * Deletes a record before its time: asked once more, since it cannot be undone.
   * @param {Former} stay
   */
  deletion({ bed, stay, label }) {
    const fold = make("details");
    const title = make("summary", "", _("Delete …"));
    title.setAttribute("aria-label", _("Delete the record of {label}, {bed}", { label: label || _("the time before any arrival"), bed }));
    const sure = button(_("Delete for good"), "plain", () => void this.forget(bed, stay, sure));
    fold.append(title, sure);
    const cell = make("td");
    cell.append(fold);
    return cell;
  }

  /**
   * @param {string} bed
   * @param {number} stay
   * @param {HTMLButtonElement} pressed
   */
  async forget(bed, stay, pressed) {
    pressed.disabled = true;
    const { trouble } = await send(bed, stay, { type: "forget" });
    setText(this.deleted, trouble || _("The record is deleted."));
    pressed.disabled = false;
  }

  close() {
    clearInterval(this.timer);
    this.host.replaceChildren();
  }
}

/** @param {AuditEntry} entry */
function auditRow({ at, who, role: as, what, bed, to }) {
  const row = make("tr");
  for (const words of [timeOf(at), as ? `${who}, ${said(as)}` : who, actionWords(what), to ? `${bed} → ${to}` : bed]) row.append(make("td", "", words));
  return row;
}

/**
 * What somebody did, in words; of what was refused, that it was.
 * @param {string} what
 */
function actionWords(what) {
  const isRefused = what.endsWith(REFUSED);
  const kind = isRefused ? what.slice(0, -REFUSED.length) : what;
  const words = ACTIONS[kind] ? _(ACTIONS[kind]) : said(plain(kind));
  return isRefused ? `${words}: ${_("refused")}` : words;
}

/** @param {Figure} figure */
function figure({ name, value, meaning }) {
  const one = make("div");
  one.append(make("dt", "", said(name)), make("dd", "", said(value)), make("dd", "meaning", said(meaning)));
  return one;
}

/** @param {Former} stay */
function record({ bed, stay, label, began, ended, moved_to: movedTo }) {
  const row = make("tr");
  const link = make("a", "", label || _("the time before any arrival"));
  link.href = `/stay/${bed}/${stay}?${utcOffset()}`;
  link.target = "_blank";
  const named = make("td");
  named.append(link);
  row.append(named);
  for (const words of [bed, began === null ? _("to {until}", { until: timeOf(ended) }) : _("{from} to {until}", { from: timeOf(began), until: timeOf(ended) }), movedTo && _("moved to {to}", { to: movedTo })]) row.append(make("td", "", words));
  return row;
}
