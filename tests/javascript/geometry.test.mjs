import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { describe, test } from "node:test";

import { heightToScale, layout, pxPerSecond, secondLeftOf, trace } from "../../dashboard/assets/shared/geometry.mjs";
import { HZ, KEPT_S, NONE } from "../../dashboard/assets/shared/strip.mjs";

/** @import { StripStyle } from "../../dashboard/assets/shared/types" */

/** @type {{ strip_style: StripStyle }} written by tests/golden.py */
const { strip_style: STYLE } = JSON.parse(readFileSync(new URL("golden.json", import.meta.url), "utf8"));
const PX_PER_CM = 96 / 2.54; // CSS: 96 px are an inch of 2.54 cm

/** @param {number} found @param {number} wanted */
function near(found, wanted) {
  assert.ok(Math.abs(found - wanted) < 1e-9, `${found} is not ${wanted}`);
}

/** Writes down what it is told to draw: a list of points for each line. */
class Pen {
  constructor() {
    /** @type {[x: number, y: number][][]} */
    this.lines = [];
  }

  /** @param {number} x @param {number} y */
  moveTo(x, y) {
    this.lines.push([[x, y]]);
  }

  /** @param {number} x @param {number} y */
  lineTo(x, y) {
    this.lines.at(-1)?.push([x, y]);
  }
}

/**
 * The lines of a signal that begins at second 0.
 * @param {number[]} values
 * @param {number} secondPx
 */
function traced(values, secondPx) {
  const ring = new Int16Array(KEPT_S * HZ).fill(NONE);
  ring.set(values);
  const pen = new Pen();
  trace(pen, ring, 0, Math.ceil(values.length / HZ) - 1, (s) => s * secondPx, (v) => v, secondPx);
  return pen.lines;
}

describe("a strip to scale", () => {
  for (const [scale, bpm] of /** @type {const} */ ([["20", 20], ["30", 30]])) {
    test(`has ${bpm} bpm in a centimetre, from top to bottom`, () => {
      const { yFhr } = layout(STYLE, 1000, heightToScale(STYLE, scale), 100, 1, scale);
      near(yFhr(150 - bpm) - yFhr(150), PX_PER_CM);
    });
  }

  for (const cm of [1, 2, 3]) {
    test(`has a minute in ${cm} cm`, () => {
      const { x, speed } = layout(STYLE, 1000, 300, 100, cm, "fit");
      near(x(60) - x(0), cm * PX_PER_CM);
      assert.equal(speed.cm_per_min, cm);
      near(pxPerSecond(cm) * 60, cm * PX_PER_CM);
    });
  }

  test("is as high as its bpm and 3 cm of uterine activity ask for", () => {
    near(heightToScale(STYLE, "20"), 4 + (160 / 20 + 3) * PX_PER_CM + 14);
    near(heightToScale(STYLE, "30"), 4 + (210 / 30 + 3) * PX_PER_CM + 14);
  });
});

describe("a layout", () => {
  test("ends with the newest second at the right edge", () => {
    const { x, start, end } = layout(STYLE, 800, 200, 99, 1, "fit");
    assert.equal(end, 100);
    assert.equal(x(end), 800);
    near(x(start), 0);
  });

  test("keeps rates within the paper", () => {
    const { yFhr, split } = layout(STYLE, 800, 200, 99, 1, "fit");
    assert.equal(yFhr(300), yFhr(210));
    assert.equal(yFhr(20), yFhr(50));
    assert.equal(yFhr(210), 4);
    assert.ok(yFhr(50) < split);
  });

  test("keeps uterine activity below the split, and higher is up", () => {
    const { yUa, split, height } = layout(STYLE, 800, 200, 99, 1, "fit");
    assert.ok(yUa(100) > split);
    assert.equal(yUa(120), yUa(100));
    assert.equal(yUa(0), height - 3);
    assert.ok(yUa(50) < yUa(10));
  });

  test("finds the second under a pixel", () => {
    const { x } = layout(STYLE, 800, 200, 99, 2, "fit");
    near(secondLeftOf(99, 800 - x(42), 2), 42);
  });
});

describe("a trace", () => {
  test("is one line through all samples where each has a pixel", () => {
    assert.deepEqual(traced([10, 20, 30, 40], 8), [[[0, 10], [2, 10], [2, 20], [4, 30], [6, 40]]]);
  });

  test("does not bridge a gap", () => {
    const lines = traced([10, 20, NONE, NONE, 50, 60, NONE, 80], 8);
    assert.equal(lines.length, 3);
    assert.deepEqual(lines.map((line) => line[0]), [[0, 10], [8, 50], [14, 80]]);
    assert.ok(lines[0]?.every(([x]) => x < 4), "nothing of the first line lies in the gap");
  });

  test("shows a sample that stands alone", () => {
    assert.deepEqual(traced([NONE, 20, NONE, NONE], 8), [[[2, 20], [4, 20]]]);
  });

  test("shows the extremes of samples that share a pixel", () => {
    const [line] = traced([50, 50, 90, 60, 10, 50, 50, 50], 0.5);
    const drawn = line?.map(([, y]) => y) ?? [];
    assert.equal(Math.max(...drawn), 90);
    assert.equal(Math.min(...drawn), 10);
    assert.ok(drawn.length < 8, "and not all of them");
  });

  test("goes over the end of the ring", () => {
    const ring = new Int16Array(KEPT_S * HZ).fill(7);
    const pen = new Pen();
    trace(pen, ring, KEPT_S - 1, KEPT_S, (s) => s * 8, (v) => v, 8);
    assert.equal(pen.lines.length, 1);
    assert.equal(pen.lines[0]?.length, 2 * HZ + 1);
  });

  test("of nothing is nothing", () => {
    assert.deepEqual(traced([NONE, NONE, NONE, NONE], 8), []);
  });
});

test("a strip of 1 cm a minute fills a screen 1920 px wide", () => {
  assert.ok(KEPT_S * pxPerSecond(1) >= 1920, `${KEPT_S * pxPerSecond(1)} px`);
});
