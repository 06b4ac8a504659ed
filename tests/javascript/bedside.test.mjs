import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { answerTo } from "../../dashboard/assets/bedside/answers.mjs";
import { arrivalOf, writtenOf } from "../../dashboard/assets/bedside/arrival.mjs";
import { emptyBeds } from "../../dashboard/assets/bedside/empty_beds.mjs";
import { ANSWER_WITHIN_MS, SHORTEST_MS, Tap } from "../../dashboard/assets/bedside/tap.mjs";
import { boundsOf, longestMinutes, longestShelf, secondsOf, whyNoLimits, whyNotEnded, whyNotShelved } from "../../dashboard/assets/bedside/times.mjs";
import { NO_POLICY } from "../../dashboard/assets/shared/words.mjs";

/** @import { Level, ManualTimingLine, LogEvent, PolicyInfo } from "../../dashboard/assets/shared/types" */

/** @type {ManualTimingLine} */
const RUNNING = { text: "1 in 30 min", differs: "", is_running: true, since_onset_s: 21, running_from_s: 100 };
const OVER = { ...RUNNING, is_running: false, running_from_s: null };
const LIMIT = { condition: "low-baseline", measure: "baseline_bpm", limit: 100, lowest: 90, highest: 110 };
/** @type {PolicyInfo} */
const POLICY = { name: "attention", rules: "r", longest_shelve_s: 3600, longest_shelve_bedside_s: 600, longest_pause_s: 1830, longest_limit_s: 7200, helps_within_s: 600, limits: [LIMIT], risks: [], undo_stay_s: 600 };

test("what is left open in the form of an arrival is not said", () => {
  const open = { label: " room 4 ", weeks: "", parity: "0", stage: "", fetuses: "", risks: [], note: " " };
  assert.deepEqual(arrivalOf(open), { label: "room 4", weeks: null, parity: 0, stage: null, twins: null, risks: [], note: "" });
  const all = { label: "blue", weeks: "39", parity: "2", stage: "0", fetuses: "twins", risks: ["fever"], note: "calm" };
  assert.deepEqual(arrivalOf(all), { label: "blue", weeks: 39, parity: 2, stage: 0, twins: true, risks: ["fever"], note: "calm" });
  assert.equal(arrivalOf({ ...all, fetuses: "single" }).twins, false);
});

test("a correction begins with what was said, and says the same where nothing is changed", () => {
  const said = { label: "blue", weeks: 39, parity: 0, stage: 0, twins: false, risks: ["fever"], note: "calm" };
  const open = { label: "red", weeks: null, parity: null, stage: null, twins: null, risks: [], note: "" };
  for (const arrival of [said, { ...said, twins: true, stage: 2 }, open]) assert.deepEqual(arrivalOf(writtenOf(arrival)), arrival);
});

test("she can be moved to beds that are empty, in the order of their numbers, and not to her own", () => {
  const cards = /** @type {const} */ ([["bed-10", "empty"], ["bed-2", "empty"], ["bed-3", "quiet"], ["bed-1", "empty"], ["bed-4", "unwatched"]]);
  assert.deepEqual(emptyBeds(cards.map(([bed, state]) => ({ bed, state })), "bed-1"), ["bed-2", "bed-10"]);
});

describe("timing by hand", () => {
  test("begins and ends a contraction with one button", () => {
    const tap = new Tap();
    assert.equal(tap.next, "start");
    tap.press("start", 0);
    assert.equal(tap.next, "end");
    tap.press("end", 40_000);
    assert.equal(tap.next, "start");
  });

  test("counts from the press until the detector has said when it began", () => {
    const tap = new Tap();
    tap.press("start", 1000);
    assert.equal(tap.seconds(4000), 3);
    tap.hear(null, 4000);
    assert.equal(tap.isRunning, true, "a summary from before the press changes nothing");
    tap.hear(RUNNING, 5000);
    assert.equal(tap.seconds(6000), 21);
  });

  test("shows what the detector says when it has not answered within 6 s", () => {
    const tap = new Tap();
    tap.press("start", 0);
    tap.hear(OVER, ANSWER_WITHIN_MS);
    assert.equal(tap.isRunning, true);
    tap.hear(OVER, ANSWER_WITHIN_MS + 1);
    assert.equal(tap.isRunning, false);
    assert.equal(ANSWER_WITHIN_MS, 6000);
  });

  test("takes no end within 5 s of the beginning: it was a double click", () => {
    const tap = new Tap();
    assert.equal(tap.isTooSoon("start", 0), false);
    tap.press("start", 0);
    assert.equal(tap.isTooSoon("end", SHORTEST_MS - 1), true);
    assert.equal(tap.isTooSoon("undo", SHORTEST_MS - 1), false);
    assert.equal(tap.isTooSoon("end", SHORTEST_MS), false);
    assert.equal(SHORTEST_MS, 5000);
    tap.hear({ ...RUNNING, since_onset_s: 4 }, 1000);
    assert.equal(tap.isTooSoon("end", 1000), true, "also by what the detector says");
  });

  test("never tells a negative time", () => {
    const tap = new Tap();
    tap.hear({ ...RUNNING, since_onset_s: -26 }, 0);
    assert.equal(tap.seconds(0), 0);
  });

  test("does not let an end that is on its way flicker back", () => {
    const tap = new Tap();
    tap.hear(RUNNING, 0);
    tap.press("end", 1000);
    tap.hear(RUNNING, 1500);
    assert.equal(tap.isRunning, false);
    tap.hear(OVER, 2000);
    assert.equal(tap.pressed, null);
  });

  test("forgets a press that could not be sent, and keeps the one before", () => {
    const tap = new Tap();
    tap.press("start", 0);
    const forget = tap.press("end", 1000);
    forget();
    assert.equal(tap.isRunning, true);
  });

  test("forgets all that was refused", () => {
    const tap = new Tap();
    tap.press("start", 0);
    tap.refuse();
    assert.equal(tap.isRunning, false);
  });

  test("can be taken back once there is something, and taking back says nothing about what runs", () => {
    const tap = new Tap();
    assert.equal(tap.canUndo, false);
    tap.press("undo", 0);
    assert.equal(tap.pressed, null);
    tap.press("start", 0);
    assert.equal(tap.canUndo, true);
    const other = new Tap();
    other.hear(OVER, 0);
    assert.equal(other.canUndo, true);
  });
});

describe("how long something holds", () => {
  test("is written in minutes and sent in whole seconds", () => {
    assert.deepEqual(["15", "0.51", "1.5"].map(secondsOf), [900, 31, 90]);
  });

  test("is at most what the policy allows, in whole minutes", () => {
    assert.equal(longestMinutes(POLICY.longest_shelve_s), 60);
    assert.equal(longestMinutes(POLICY.longest_pause_s), 30);
    assert.equal(longestMinutes(longestShelf({ level: "look" }, POLICY)), 60);
    assert.equal(longestMinutes(longestShelf({ level: "bedside" }, POLICY)), 10);
  });

  test("of another limit is cut to what the policy allows", () => {
    assert.deepEqual(boundsOf(LIMIT, POLICY, "180"), {
      longest: 120,
      minutes: 120,
      hint: "The ward's limit is 100. For this bed: 90 to 110, for at most 120 min.",
    });
    assert.equal(boundsOf(LIMIT, POLICY, "45").minutes, 45);
  });
});

test("another limit is for whoever is in charge, where the policy knows one", () => {
  assert.equal(whyNoLimits("in charge", POLICY), "");
  assert.equal(whyNoLimits("", POLICY), "", "the server has not said yet who it is");
  assert.match(whyNoLimits("nurse", POLICY), /Only the nurse in charge/);
  assert.equal(whyNoLimits("in charge", null), NO_POLICY);
  assert.match(whyNoLimits("in charge", { ...POLICY, limits: [] }), /no limits/);
});

describe("a flag", () => {
  test("can be shelved below team, where a policy is known", () => {
    assert.equal(whyNotShelved({ level: "bedside", flag: "bed-1-f1" }, POLICY), "");
    assert.equal(whyNotShelved({ level: "bedside", flag: "bed-1-f1" }, null), NO_POLICY);
  });

  test("of the team cannot", () => {
    assert.match(whyNotShelved({ level: "team", flag: "bed-1-f1" }, POLICY), /team cannot be shelved/);
  });

  test("that is not there cannot", () => {
    assert.match(whyNotShelved({ level: "quiet", flag: null }, POLICY), /no flag/);
  });
});

test("nobody leaves a bed, or comes to it, while the bedside or the team is asked for and nobody has answered", () => {
  /** @param {Level} level @param {string | null} by */
  const one = (level, by = null) => ({ level, flag: level === "quiet" ? null : "bed-1-f1", acknowledged_by: by });
  const twin = { name: "", reason: "", signal: "", fhr: "", baseline: "", variability: "", concern: null, running_from_s: null, baseline_trend: "", variability_trend: "" };
  for (const level of /** @type {const} */ (["bedside", "team"])) {
    assert.match(whyNotEnded({ ...one(level), twins: [] }), /nobody has answered: acknowledge it first/);
    assert.equal(whyNotEnded({ ...one(level, "Kim"), twins: [] }), "");
    assert.match(whyNotEnded({ ...one(level), twins: [{ ...twin, ...one("quiet") }, { ...twin, ...one(level) }] }), /acknowledge/);
    assert.equal(whyNotEnded({ ...one(level), twins: [{ ...twin, ...one(level, "Kim") }, { ...twin, ...one("look") }] }), "", "the one that waits is for a look");
  }
  for (const level of /** @type {const} */ (["quiet", "look"])) assert.equal(whyNotEnded({ ...one(level), twins: [] }), "");
});

describe("the answer to what was sent", () => {
  /** @param {number} number @param {string} by @returns {LogEvent} */
  const line = (number, by) => ({ id: `bed-1-${number}`, bed: "bed-1", t: 0, kind: "care", text: "", detail: { by }, rules: "", stay: 0 });
  const log = [line(12, "Kim"), line(11, "Nora"), line(10, "Kim"), line(9, "Nora")];

  test("is the newest line of the same person that came afterwards", () => {
    assert.equal(answerTo({ by: "Kim", after: 10 }, log)?.id, "bed-1-12");
    assert.equal(answerTo({ by: "Nora", after: 9 }, log)?.id, "bed-1-11");
  });

  test("is none while the log has only lines from before, and those of others", () => {
    assert.equal(answerTo({ by: "Nora", after: 11 }, log), undefined);
    assert.equal(answerTo({ by: "Kim", after: 12 }, log), undefined);
  });
});
