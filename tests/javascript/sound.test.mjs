// The figures of IEC 60601-1-8 (tables 3 and 4, as described in public) are written here once more.

import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { BURSTS, levelToSound, pulseStarts, Schedule } from "../../dashboard/assets/shared/bursts.mjs";

/** @import { Level, State } from "../../dashboard/assets/shared/types" */

const WITHIN = {
  team: { pulses: [10], pulseMs: [75, 200], spacingMs: [50, 125], everyMs: [2500, 15_000] },
  bedside: { pulses: [3], pulseMs: [125, 250], spacingMs: [125, 250], everyMs: [2500, 30_000] },
  look: { pulses: [1, 2], pulseMs: [125, 250], spacingMs: [125, 250], everyMs: [15_001, Infinity] },
};
const BETWEEN_GROUPS_MS = [350, 1300];

/** @param {number} value @param {number[]} bounds @param {string} what */
function within(value, [low = NaN, high = NaN], what) {
  assert.ok(value >= low && value <= high, `${what}: ${value} is not within ${low} to ${high}`);
}

for (const level of /** @type {const} */ (["team", "bedside", "look"])) {
  test(`a burst for ${level} is one of the standard`, () => {
    const burst = BURSTS[level];
    const asked = WITHIN[level];
    const at = pulseStarts(burst);
    assert.ok(asked.pulses.includes(at.length), `${at.length} pulses`);
    within(burst.pulseMs, asked.pulseMs, "length of a pulse");
    const gaps = at.slice(1).map((next, i) => next - (at[i] ?? NaN) - burst.pulseMs);
    const isGroup = gaps.map((gap) => gap >= (BETWEEN_GROUPS_MS[0] ?? 0));
    gaps.forEach((gap, i) => within(gap, isGroup[i] ? BETWEEN_GROUPS_MS : asked.spacingMs, `gap ${i}`));
    if (level === "team") assert.deepEqual(isGroup, [false, false, true, false, true, false, false, true, false]);
    else assert.ok(!isGroup.includes(true));
    within(burst.everyMs - (at.at(-1) ?? NaN) - burst.pulseMs, asked.everyMs, "from the end of one burst to the next");
  });
}

test("pulses begin when they should, to the ms", () => {
  assert.deepEqual(pulseStarts(BURSTS.bedside), [0, 400, 800]);
  assert.deepEqual(pulseStarts(BURSTS.team), [0, 250, 500, 1000, 1250, 2100, 2350, 2600, 3100, 3350]);
});

describe("what is asked for", () => {
  const LEVELS = ["look", "bedside", "team"];
  /** @param {State} state @param {string | null} by */
  const card = (state, by = null) => ({ state, level: /** @type {Level} */ (LEVELS.includes(state) ? state : "quiet"), flag: LEVELS.includes(state) ? "bed-1-f1" : null, acknowledged_by: by, twins: [] });

  test("is the highest level that nobody has answered", () => {
    assert.equal(levelToSound([card("look"), card("team"), card("bedside")]), "team");
    assert.equal(levelToSound([card("look"), card("team", "Kim"), card("bedside")]), "bedside");
    assert.equal(levelToSound([card("team", "Kim")]), null);
  });

  test("is to look where nobody watches, unless somebody needs more", () => {
    assert.equal(levelToSound([card("unwatched")]), "look");
    assert.equal(levelToSound([card("unwatched"), card("bedside")]), "bedside");
  });

  test("is nothing where all is quiet, off on purpose, shelved, or without signal", () => {
    assert.equal(levelToSound([card("quiet"), card("paused"), card("shelved"), card("lost")]), null);
  });
});

describe("a flag that nobody has answered", () => {
  for (const state of /** @type {const} */ (["lost", "paused", "shelved", "unwatched"])) {
    test(`sounds like its level, also where the bed is ${state}`, () => {
      for (const level of /** @type {const} */ (["look", "bedside", "team"])) {
        assert.equal(levelToSound([{ state, level, flag: "bed-1-f1", acknowledged_by: null, twins: [] }]), level);
      }
    });
  }

  test("of twins sounds like its own level, also where a higher one has been answered", () => {
    const twin = { name: "", reason: "", signal: "", fhr: "", baseline: "", variability: "", concern: null, running_from_s: null, baseline_trend: "", variability_trend: "" };
    const twins = [{ ...twin, level: /** @type {const} */ ("team"), flag: "b-f1", acknowledged_by: "Kim" }, { ...twin, level: /** @type {const} */ ("look"), flag: "b-s1", acknowledged_by: null }];
    assert.equal(levelToSound([{ state: "team", level: "team", flag: "b-s1", acknowledged_by: null, twins }]), "look");
  });

  test("is silent once it is answered, except that a bed nobody watches is one to look at", () => {
    assert.equal(levelToSound([{ state: "lost", level: "look", flag: "bed-1-f1", acknowledged_by: "Kim", twins: [] }]), null);
    assert.equal(levelToSound([{ state: "unwatched", level: "team", flag: "bed-1-f1", acknowledged_by: "Kim", twins: [] }]), "look");
  });
});

describe("the schedule", () => {
  test("sounds at once, then after the pause of its level", () => {
    const schedule = new Schedule();
    assert.equal(schedule.take(0), null);
    schedule.hear("bedside");
    assert.equal(schedule.take(100), BURSTS.bedside);
    assert.equal(schedule.take(15_099), null);
    assert.equal(schedule.take(15_100), BURSTS.bedside);
  });

  test("does not wait when a higher level comes, and does when a lower one does", () => {
    const schedule = new Schedule();
    schedule.hear("bedside");
    schedule.take(0);
    schedule.hear("team");
    assert.equal(schedule.take(1), BURSTS.team);
    schedule.hear("bedside");
    assert.equal(schedule.take(14_000), null);
    assert.equal(schedule.take(15_001), BURSTS.bedside);
  });

  test("is silent once somebody has answered, and sounds at once for what comes next", () => {
    const schedule = new Schedule();
    schedule.hear("look");
    schedule.take(0);
    schedule.hear(null);
    assert.equal(schedule.take(100_000), null);
    schedule.hear("look");
    assert.equal(schedule.take(100_001), BURSTS.look);
  });

  test("begins anew when the sound is turned on", () => {
    const schedule = new Schedule();
    schedule.hear("look");
    schedule.take(0);
    schedule.restart();
    assert.equal(schedule.take(1), BURSTS.look);
  });
});
