import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { newestWords, reasonWords, visible, whyWords } from "../../dashboard/assets/shift/refused.mjs";

describe("what was refused", () => {
  test("is shown as it came, but for what has no shape or turns what follows", () => {
    assert.equal(visible('{"a": "ä <b>中"}'), '{"a": "ä <b>中"}');
    assert.equal(visible("\u001b[2J\r\n\t\u0000\u007f"), "\\u001b[2J\\r\\n\\t\\u0000\\u{7f}");
    assert.equal(visible("\u202e\u2028\u00a0\u{e0041}"), "\\u{202e}\\u{2028}\\u{a0}\\u{e0041}");
  });

  test("is told with the time of day, and with the day where that was another one", () => {
    const now = new Date(2026, 10, 30, 9, 5).getTime();
    assert.equal(newestWords(null, now), "");
    assert.equal(newestWords(new Date(2026, 10, 30, 0, 4).getTime(), now), "00:04");
    assert.equal(newestWords(new Date(2026, 10, 29, 23, 58).getTime(), now), "29/11 23:58");
  });

  test("has its reason in words, one that is not known as it is named", () => {
    assert.equal(reasonWords("late"), "came too late");
    assert.equal(reasonWords("some-new-one"), "some new one");
  });

  test("is explained sentence by sentence, whatever a device has written", () => {
    assert.equal(whyWords("fhr[0]: 1420. Expected `float` <= 300.0"), "fhr[0]: 1420. Expected `float` <= 300.0");
    assert.equal(whyWords(`x: '\u001b'. ${"of ".repeat(2000)}`), `x: '\\u001b'. ${"of ".repeat(2000)}`);
  });
});
