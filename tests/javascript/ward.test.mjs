import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { gridSize, inOrder, onWall, STRIPS, wallSize } from "../../dashboard/assets/ward/order.mjs";
import { sentenceOf } from "../../dashboard/assets/ward/spoken.mjs";

/** @import { State } from "../../dashboard/assets/shared/types" */

/** @param {string} bed @param {State} state */
const card = (bed, state) => ({ bed, state });

describe("beds", () => {
  const byNeed = [card("bed-10", "bedside"), card("bed-2", "look"), card("bed-1", "quiet")];

  test("stand as the server sends them, the first of them higher while it asks for somebody", () => {
    const { beds, first } = inOrder(byNeed, "need");
    assert.deepEqual(beds, byNeed);
    assert.equal(first, byNeed[0]);
  });

  for (const state of /** @type {const} */ (["quiet", "noted", "shelved", "paused"])) {
    test(`have no first one when it is ${state}`, () => assert.equal(inOrder([card("bed-1", state)], "need").first, null));
  }

  for (const state of /** @type {const} */ (["look", "bedside", "team", "lost", "unwatched"])) {
    test(`have a first one when it is ${state}`, () => assert.equal(inOrder([card("bed-1", state)], "need").first?.bed, "bed-1"));
  }

  test("stand by the numbers in their names when each has its own place, and none is higher", () => {
    const { beds, first } = inOrder(byNeed, "place");
    assert.deepEqual(beds.map((one) => one.bed), ["bed-1", "bed-2", "bed-10"]);
    assert.equal(first, null);
    assert.equal(byNeed[0]?.bed, "bed-10", "what was handed in stays as it was");
  });

  test("of an empty ward are none", () => {
    assert.deepEqual(inOrder([], "need"), { beds: [], first: null });
  });
});

describe("rows", () => {
  test("of a few beds stand one below the other, the first twice as high", () => {
    assert.deepEqual(gridSize(6, false), { size: "few", columns: 1, rows: 6 });
    assert.deepEqual(gridSize(6, true), { size: "few", columns: 1, rows: 7 });
    assert.equal(gridSize(7, false).size, "several");
    assert.equal(gridSize(12, false).columns, 1);
  });

  test("of many beds stand in two columns", () => {
    assert.deepEqual(gridSize(13, false), { size: "many", columns: 2, rows: 7 });
    assert.deepEqual(gridSize(24, true), { size: "many", columns: 2, rows: 14 });
  });
});

describe("a wall display", () => {
  test("has strips for the beds that call, as many as it may, and tiles for all others", () => {
    const beds = [...Array(9).keys()].map((i) => card(`bed-${9 - i}`, i < STRIPS + 1 ? "look" : "quiet"));
    const { strips, tiles } = onWall(beds, "need");
    assert.deepEqual(strips, beds.slice(0, STRIPS));
    assert.deepEqual(tiles, beds.slice(STRIPS));
    assert.deepEqual(onWall(beds, "place").tiles, [...tiles].reverse());
    assert.deepEqual(onWall(beds, "place").strips, strips, "whoever calls comes first in any order");
  });

  for (const [strips, tiles] of /** @type {const} */ ([[0, 24], [1, 23], [5, 19], [5, 0], [0, 1], [5, 43]])) {
    test(`of ${strips} strips and ${tiles} tiles fills what there is and no more`, () => {
      const found = wallSize(strips, tiles, 1904, 980, 8);
      const rows = Math.ceil(tiles / found.tileColumns);
      const used = rows * (found.tilePx + 8) + (strips ? found.stripPx + 8 : 0) - 8;
      assert.ok(Math.abs(used - 980) < 1, String(used));
      assert.ok(found.letterPx * 4.9 <= found.tilePx + 1 || !tiles);
      assert.ok(found.letterPx <= 980 * 0.045);
    });
  }

  test("has letters of 33 px and more for 24 beds on 1920 by 1080, however many of them call", () => {
    for (let strips = 0; strips <= STRIPS; strips++) assert.ok(wallSize(strips, 24 - strips, 1904, 986, 8).letterPx >= 33, String(strips));
  });
});

describe("a screen reader", () => {
  /** @param {string} name @param {State} state @param {{ headline?: string, reason?: string, full_reason?: string, running?: string, flag?: string | null, acknowledged_by?: string | null }} more */
  const bed = (name, state, more = {}) => ({ bed: name, state, headline: state, until: null, reason: "", full_reason: "", running: "", flag: null, acknowledged_by: null, undoable: null, moving_to: "", ...more });
  /** @param {ReturnType<typeof bed>[]} byNeed */
  const text = (...byNeed) => sentenceOf(byNeed).text;
  const quiet = bed("bed-9", "quiet");

  test("says that all is calm only where no bed is anything else", () => {
    assert.equal(text(quiet), "All beds quiet");
    assert.equal(text(bed("bed-1", "noted"), quiet), "No bed calls for anybody");
    assert.equal(text(bed("bed-1", "empty", { headline: "empty since" })), "Nobody is in any bed");
    assert.equal(text(bed("bed-1", "noted"), bed("bed-2", "noted", { headline: "catching up", reason: "old" }), quiet), "bed-2: catching up. old");
    assert.equal(text(bed("bed-1", "lost", { headline: "signal lost" }), quiet), "bed-1: signal lost. ");
    assert.equal(text(), "");
  });

  test("says what nobody has answered before a higher level that somebody has", () => {
    const team = bed("bed-1", "team", { flag: "bed-1-f1", acknowledged_by: "Kim", reason: "a fall" });
    const bedside = bed("bed-2", "bedside", { flag: "bed-2-f1", reason: "late, 3 of 5" });
    assert.equal(text(team, quiet), "bed-1: team. a fall");
    assert.equal(text(team, bedside), "bed-2: bedside. late, 3 of 5");
    assert.equal(text(team, bed("bed-3", "unwatched")), "bed-3: unwatched. ");
  });

  test("says it anew when the words change, not when a number does", () => {
    /** @param {string} reason */
    const key = (reason) => sentenceOf([bed("bed-1", "look", { reason })]).key;
    assert.equal(key("late, 3 of 5"), key("late, 4 of 6.5"));
    assert.notEqual(key("late, 3 of 5"), key("early, 3 of 5"));
    assert.equal(key("late, 3 of 5 · deepest 60 bpm"), key("late, 3 of 5 · for 22 min"), "its first fact");
    assert.notEqual(key("late · deepest 60 bpm"), key("late · deepest 60 bpm; now no data for 9 s"));
  });

  test("says the deceleration of a shelved bed, and not all of it anew at every one", () => {
    const full = "variability low, shelved by Nora: she is asleep and has been for an hour and a half";
    const before = bed("bed-1", "shelved", { reason: full });
    const falls = bed("bed-1", "shelved", { reason: "variability low, shelved by Nora", full_reason: full, running: "24 s, 30 bpm deep" });
    assert.equal(sentenceOf([before]).key, sentenceOf([falls]).key);
    assert.equal(text(falls), "bed-1: shelved. variability low, shelved by Nora · Deceleration now, 24 s, 30 bpm deep");
  });
});
