import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { LabelRows, moments } from "../../dashboard/assets/shared/moments.mjs";
import { kindOf } from "../../dashboard/assets/shared/twins.mjs";
import { unanswered } from "../../dashboard/assets/shared/unanswered.mjs";

/** @import { Card, StripMark, Twin } from "../../dashboard/assets/shared/types" */

describe("flags that nobody has answered", () => {
  /** @param {Card["level"]} level @param {string | null} flag @param {string | null} by */
  const one = (level, flag = "bed-1-f1", by = null) => ({ level, flag, acknowledged_by: by });
  /** @param {...ReturnType<typeof one>} each */
  const twins = (...each) => ({ ...one("team"), twins: /** @type {Twin[]} */ (each) });

  test("are the bed's own where there is one fetus", () => {
    assert.deepEqual(unanswered({ ...one("look"), twins: [] }), ["look"]);
    assert.deepEqual(unanswered({ ...one("look", "bed-1-f1", "Kim"), twins: [] }), []);
    assert.deepEqual(unanswered({ ...one("noted", null), twins: [] }), []);
  });

  test("are those of each of twins, whatever is said of the bed", () => {
    assert.deepEqual(unanswered(twins(one("team", "bed-1-f1", "Kim"), one("look", "bed-1-s2"))), ["look"]);
    assert.deepEqual(unanswered(twins(one("bedside"), one("look", "bed-1-s2"))), ["bedside", "look"]);
    assert.deepEqual(unanswered(twins(one("quiet", null), one("look", "bed-1-s2", "Kim"))), []);
  });
});

describe("labels on a strip", () => {
  test("go to the first row in which they cover none that was there before", () => {
    const rows = new LabelRows();
    assert.deepEqual([rows.place(0, 50), rows.place(20, 50), rows.place(50, 10), rows.place(60, 30), rows.place(65, 5)], [0, 1, 0, 0, 2]);
  });

  test("of flags stand behind them, at the right edge before them, and other marks have none", () => {
    /** @type {[string, number, number][]} */
    const texts = [];
    const g = /** @type {CanvasRenderingContext2D} */ (/** @type {unknown} */ ({
      beginPath() {}, moveTo() {}, lineTo() {}, stroke() {}, fill() {},
      measureText: () => ({ width: 40 }),
      fillText: (/** @type {string} */ text, /** @type {number} */ x, /** @type {number} */ y) => texts.push([text, x, y]),
    }));
    /** @param {string} kind @param {number} from @param {string} text */
    const mark = (kind, from, text) => /** @type {StripMark} */ ({ kind, from, to: null, text, why: [] });
    const at = /** @type {import("../../dashboard/assets/shared/geometry.mjs").Layout} */ (/** @type {unknown} */ ({ x: (/** @type {number} */ second) => second, split: 80, end: 200, width: 200 }));
    const marks = [mark("flag-look", 5, "before"), mark("flag-look", 20, "a"), mark("deceleration", 30, "none"), mark("note", 30, "b"), mark("flag-team", 190, "c"), mark("flag-team", 201, "after")];
    moments(g, marks, at, 10, () => "black", true);
    assert.deepEqual(texts, [["a", 31.5, 10], ["b", 41.5, 22], ["c", 142.5, 10]]);
    texts.length = 0;
    moments(g, marks, at, 10, () => "black", false);
    assert.deepEqual(texts, []);
  });

  test("of findings are their kinds, of twins with the number of the fetus", () => {
    assert.equal(kindOf("late deceleration, 40 s, 20 bpm deep"), "late");
    assert.equal(kindOf("first twin: late deceleration, 40 s, 20 bpm deep"), "late 1");
    assert.equal(kindOf("second twin: prolonged deceleration, 170 s"), "prolonged 2");
    assert.equal(kindOf(""), "");
  });
});
