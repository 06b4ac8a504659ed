import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { gridSize, inOrder } from "../../dashboard/assets/ward/order.mjs";

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
    assert.deepEqual(gridSize(6, false, false), { size: "few", columns: 1, rows: 6 });
    assert.deepEqual(gridSize(6, true, false), { size: "few", columns: 1, rows: 7 });
    assert.equal(gridSize(7, false, false).size, "several");
    assert.equal(gridSize(12, false, false).columns, 1);
  });

  test("of many beds stand in two columns, on a wall of very many in three", () => {
    assert.deepEqual(gridSize(13, false, false), { size: "many", columns: 2, rows: 7 });
    assert.deepEqual(gridSize(24, true, true), { size: "many", columns: 2, rows: 14 });
    assert.deepEqual(gridSize(25, false, true), { size: "many", columns: 3, rows: 9 });
    assert.equal(gridSize(25, false, false).columns, 2);
  });
});
