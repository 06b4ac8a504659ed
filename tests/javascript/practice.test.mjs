import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { bars, MOST } from "../../practice/page/bars.mjs";
import { marked, minuteOf, secondOf } from "../../practice/page/times.mjs";

describe("times of a strip", () => {
  test("are told and read as minutes and seconds", () => {
    assert.deepEqual([0, 59.9, 60, 605].map(minuteOf), ["0:00", "0:59", "1:00", "10:05"]);
    for (const second of [0, 59, 60, 605, 1799]) assert.equal(secondOf(minuteOf(second)), second);
  });

  for (const text of ["", "5", "5:7", "5:60", "100:00", "-1:00", "a:bc", "5:07 "]) {
    test(`are not ${JSON.stringify(text)}`, () => assert.equal(secondOf(text), null));
  }
});

describe("a drag over the strip", () => {
  test("marks from left to right, whichever way it went", () => {
    assert.deepEqual(marked({ from: 100, to: 140 }), [100, 140]);
    assert.deepEqual(marked({ from: 140, to: 100 }), [100, 140]);
  });

  test("of less than 5 s was a click", () => {
    assert.equal(marked({ from: 100, to: 104.9 }), null);
    assert.deepEqual(marked({ from: 100, to: 105 }), [100, 105]);
  });
});

describe("bars of a learner's answers", () => {
  test("are as high as the share, flat for none, and left out without occasion", () => {
    const { rects, width, height } = bars([1, null, 0, 0.5]);
    assert.deepEqual(rects.map(({ x, height: high, isNone }) => [x, high, isNone]), [[0, height, false], [18, 2, true], [27, height / 2, false]]);
    assert.equal(width, 36);
    assert.ok(rects.every(({ y, height: high }) => y + high === height));
  });

  test("are those of the newest answers", () => {
    assert.equal(bars(Array(MOST + 7).fill(1)).rects.length, MOST);
    assert.equal(bars([0, ...Array(MOST).fill(1)]).rects.some(({ isNone }) => isNone), false);
    assert.deepEqual(bars([]).rects, []);
  });
});
