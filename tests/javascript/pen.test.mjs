import assert from "node:assert/strict";
import { test } from "node:test";

import { signal } from "../../dashboard/assets/shared/pen.mjs";
import { HZ, KEPT_S } from "../../dashboard/assets/shared/strip.mjs";

const screen = { devicePixelRatio: 1 };
class Path2D {
  moveTo() {}

  lineTo() {}
}
Object.assign(globalThis, { Path2D, window: screen });

/** What is drawn: how wide and how far above or below its place each line is, and where the pen is left. */
function drawn(/** @type {number} */ ratio) {
  screen.devicePixelRatio = ratio;
  let moved = 0;
  /** @type {[width: number, above: number][]} */
  const lines = [];
  const g = { lineWidth: 0, translate: (/** @type {number} */ _x, /** @type {number} */ y) => (moved += y), stroke: () => lines.push([g.lineWidth, moved]) };
  signal(/** @type {any} */ (g), new Int16Array(KEPT_S * HZ), 0, 60, { x: (s) => s, secondPx: 1 }, (v) => v);
  return { lines, moved };
}

test("a signal is two lines of one pixel of the screen, together as wide as the pen", () => {
  for (const ratio of [1, 1.25, 1.5]) {
    const { lines, moved } = drawn(ratio);
    assert.equal(lines.length, 2);
    const [[width, above], [, below]] = /** @type {[[number, number], [number, number]]} */ (lines);
    assert.equal(width * ratio, 1);
    assert.ok(Math.abs(width + below - above - 1.3) < 1e-9);
    assert.ok(Math.abs(above + below) < 1e-9, "about its place");
    assert.ok(Math.abs(moved) < 1e-9, "what is drawn next is where it was");
  }
});

test("on a fine screen it is one line", () => {
  assert.deepEqual(drawn(2).lines, [[1.3, 0]]);
});
