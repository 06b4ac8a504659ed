import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { findingAt, neighbour } from "../../dashboard/assets/bed/pointing.mjs";
import { rowsOf, SHOWN, sinceLast } from "../../dashboard/assets/bed/timing.mjs";

/** @param {string} kind @param {number} from @param {number | null} to */
const mark = (kind, from, to) => ({ kind, from, to, text: "", why: [] });

describe("contractions", () => {
  test("are told newest first, with interval, length and rest", () => {
    const rows = rowsOf([mark("contraction", 100, 160), mark("contraction", 280, 350), mark("deceleration", 300, 340)]);
    assert.deepEqual(rows, [
      { from: 280, interval: 180, length: 70, rest: 120, how: "" },
      { from: 100, interval: null, length: 60, rest: null, how: "" },
    ]);
  });

  test("timed by hand have intervals of their own, and stand among the recorded ones", () => {
    const rows = rowsOf([mark("contraction", 100, 160), mark("hand-contraction", 110, 150), mark("contraction", 400, 460)]);
    assert.deepEqual(rows.map((row) => [row.from, row.interval, row.how]), [[400, 300, ""], [110, null, "by hand"], [100, null, ""]]);
  });

  test("that are not over are no row, and rest is never less than none", () => {
    const rows = rowsOf([mark("contraction", 100, 200), mark("contraction", 190, 260), mark("contraction", 300, null)]);
    assert.deepEqual(rows.map((row) => row.rest), [0, null]);
  });

  test("are no more than the last ones", () => {
    assert.equal(rowsOf(Array.from({ length: 14 }, (_, i) => mark("contraction", i * 100, i * 100 + 50))).length, SHOWN);
  });

  test("began so long ago, whichever began last, and that goes on while nothing comes", () => {
    const card = { t: 999_000, age_s: 0, contraction_from_s: 900, hand: null };
    assert.equal(sinceLast(card, [], 0), 100);
    assert.equal(sinceLast({ ...card, age_s: 12 }, [], 0), 112);
    assert.equal(sinceLast(card, [mark("hand-contraction", 950, 980)], 0), 50);
    const hand = { text: "", differs: "", is_running: true, since_onset_s: 10, running_from_s: 990 };
    assert.equal(sinceLast({ ...card, hand }, [], 0), 10);
  });

  test("that nobody has seen began at no time; without a time of its own the strip's end is now", () => {
    const card = { t: null, age_s: null, contraction_from_s: null, hand: null };
    assert.equal(sinceLast(card, [], 500), null);
    assert.equal(sinceLast({ ...card, contraction_from_s: 401 }, [], 500), 100);
  });
});

describe("pointing at a strip", () => {
  const marks = [mark("contraction", 90, 160), mark("deceleration", 100, 140), mark("acceleration", 300, 330), mark("signal-mark", 110, 120), mark("deceleration", 500, null)];

  test("finds the deceleration before the contraction it lies in", () => {
    assert.equal(findingAt(marks, 120), marks[1]);
    assert.equal(findingAt(marks, 95), marks[0]);
    assert.equal(findingAt(marks, 160), marks[0]);
  });

  test("finds nothing where nothing is, and nothing that is not over", () => {
    assert.equal(findingAt(marks, 200), null);
    assert.equal(findingAt(marks, 510), null);
  });

  test("goes from one finding to the next by keyboard, and stays at the ends", () => {
    assert.equal(neighbour(marks, null, -1), marks[2]);
    assert.equal(neighbour(marks, marks[2] ?? null, -1), marks[1]);
    assert.equal(neighbour(marks, marks[1] ?? null, -1), marks[0]);
    assert.equal(neighbour(marks, marks[0] ?? null, -1), marks[0]);
    assert.equal(neighbour(marks, marks[2] ?? null, 1), marks[2]);
    assert.equal(neighbour([], null, 1), null);
  });
});
