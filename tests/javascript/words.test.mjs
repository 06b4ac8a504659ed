import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { KEPT, ScreenClock } from "../../dashboard/assets/shared/clock.mjs";
import { word } from "../../dashboard/assets/shared/log_words.mjs";
import { answerInShort, duration, headline, line, minutesAndSeconds, plain, signalWords, speedWords, timeOf, timeOfDay, waiting, wholeLine } from "../../dashboard/assets/shared/words.mjs";

const AT = new Date(2026, 0, 2, 0, 4, 5).getTime(); // by this machine's clock

describe("times", () => {
  test("of day have 24 hours, and midnight is 0", () => {
    assert.equal(timeOf(AT), "00:04");
    assert.equal(timeOf(AT + 13 * 3600_000), "13:04");
    assert.match(timeOfDay(AT), /^0?0:04:05$/);
  });

  test("that last are told in seconds below 90 s, then in minutes", () => {
    assert.deepEqual([0, 89.4, 90, 149, 151].map(duration), ["0 s", "89 s", "2 min", "2 min", "3 min"]);
  });

  test("between contractions are told in minutes and seconds", () => {
    assert.deepEqual([-3, 59.4, 60, 125.6].map(minutesAndSeconds), ["0 s", "59 s", "1 min 00 s", "2 min 06 s"]);
  });
});

test("a demo that is not in real time says so", () => {
  assert.equal(speedWords(1), "");
  assert.equal(speedWords(10), "Simulated time, 10 times as fast as real time.");
  assert.equal(speedWords(0.5), "Simulated time, at 0.5 of real time.");
});

describe("a bed", () => {
  const calm = { headline: "quiet", until: null, paused: null, state: /** @type {const} */ ("quiet"), acknowledged_by: null, waiting_s: null, flag: null, attending: [] };

  test("has a headline that ends with a time where one is known", () => {
    assert.equal(headline(calm), "quiet");
    assert.equal(headline({ headline: "shelved until", until: AT }), "shelved until 00:04");
  });

  test("says who has answered, or for how long nobody has", () => {
    assert.equal(waiting(calm), "");
    assert.equal(waiting({ ...calm, flag: "bed-1-f1", waiting_s: 61 }), "unanswered for 61 s");
    assert.equal(waiting({ ...calm, flag: "bed-1-f1", waiting_s: 61, acknowledged_by: "Kim" }), "answered by Kim");
    assert.equal(waiting({ ...calm, waiting_s: 61 }), "", "without a flag nobody waits");
  });

  test("says who is going there, once where she has also answered", () => {
    const kim = { by: "Kim", at: AT, until: AT + 1 };
    assert.equal(waiting({ ...calm, attending: [kim] }), "Kim is going");
    assert.equal(waiting({ ...calm, attending: [kim], flag: "f", waiting_s: 61, acknowledged_by: "Kim" }), "Kim is going");
    assert.equal(waiting({ ...calm, attending: [kim], flag: "f", waiting_s: 61, acknowledged_by: "Ann" }), "Kim is going · answered by Ann");
    assert.equal(waiting({ ...calm, attending: [kim], flag: "f", waiting_s: 61 }), "Kim is going · unanswered for 61 s");
    assert.equal(waiting({ ...calm, attending: [kim, { ...kim, by: "Ann" }] }), "Kim, Ann are going");
  });

  test("says both on a wall, too: a call that came after she went has no answer", () => {
    const kim = { by: "Kim", at: AT, until: AT + 1 };
    const called = { ...calm, flag: "f", waiting_s: 61 };
    assert.equal(answerInShort(calm), "");
    assert.equal(answerInShort(called), "61 s");
    assert.equal(answerInShort({ ...called, acknowledged_by: "Kim" }), "✓ Kim");
    assert.equal(answerInShort({ ...called, attending: [kim] }), "→ Kim · 61 s");
    assert.equal(answerInShort({ ...called, attending: [kim], acknowledged_by: "Kim" }), "→ Kim");
    assert.equal(answerInShort({ ...called, attending: [kim], acknowledged_by: "Ann" }), "→ Kim · ✓ Ann");
  });

  test("says that it was noted as off, unless that is its state", () => {
    const paused = { by: "Kim", why: "bathroom", until: AT };
    assert.equal(waiting({ ...calm, paused, acknowledged_by: "Kim" }), "answered by Kim · monitor off until 00:04");
    assert.equal(waiting({ ...calm, paused, state: "paused" }), "");
  });

  test("says nothing of the signal of a bed that nobody is in, and that a leaving can be undone", () => {
    assert.equal(signalWords({ state: "empty", age_s: 1, signal: "lost", signal_reason: "A device is sending", far_clock: "", reason: "" }), "");
    /** @type {{ what: "leaving", by: string, until: number }} */
    const undoable = { what: "leaving", by: "Kim", until: AT };
    const empty = { headline: "", moving_to: "", running: "", flag: null, reason: "A device is sending, nobody is here" };
    assert.deepEqual(line({ ...empty, state: "empty", undoable }), ["A device is sending, nobody is here", "Leaving noted by Kim; can be undone until 00:04"]);
    assert.deepEqual(line({ ...empty, state: "quiet", running: "24 s", undoable: null }), ["Deceleration now, 24 s"]);
    assert.deepEqual(line({ ...empty, state: "look", flag: "bed-1-f1", reason: "concern", running: "24 s", undoable: null }), ["concern"]);
  });

  test("says how old its data are where they are not fresh", () => {
    /** @type {{ state: "quiet" | "lost", signal: string, signal_reason: string, far_clock: string, reason: string }} */
    const signal = { state: "quiet", signal: "good", signal_reason: "", far_clock: "", reason: "" };
    assert.equal(signalWords({ ...signal, age_s: 4.9 }), "signal good");
    assert.equal(signalWords({ ...signal, age_s: 5.1 }), "signal good · data 5 s old");
    assert.equal(signalWords({ ...signal, age_s: null }), "signal good");
    assert.equal(signalWords({ state: "lost", signal: "lost", signal_reason: "no value", far_clock: "clock 4 min ahead", age_s: 61, reason: "" }), "signal lost · no value · data 61 s old · clock 4 min ahead");
    assert.equal(signalWords({ ...signal, age_s: null }, "its clock"), "signal good · its clock");
  });

  test("says why it is lost only where its line does not say so already", () => {
    /** @type {{ state: "lost", signal: string, signal_reason: string, far_clock: string, age_s: number }} */
    const lost = { state: "lost", signal: "lost", signal_reason: "No FHR for 3 min", far_clock: "", age_s: 1 };
    assert.equal(signalWords({ ...lost, reason: "No FHR for 3 min" }), "signal lost");
    assert.equal(signalWords({ ...lost, reason: "a fall; now no FHR for 3 min" }), "signal lost");
    assert.equal(signalWords({ ...lost, reason: "on purpose, Nora" }), "signal lost · No FHR for 3 min");
  });

  /** @type {Parameters<typeof line>[0]} */
  const falling = { state: "quiet", headline: "quiet", undoable: null, moving_to: "", reason: "a", running: "24 s, 20 bpm deep", flag: null };
  const now = "Deceleration now, 24 s, 20 bpm deep";

  test("has a line whose parts stand apart, and tells a deceleration that goes on while nobody is called", () => {
    assert.deepEqual(line({ ...falling, state: "look", reason: "a · b, c", flag: "f" }), ["a", "b, c"]);
    assert.deepEqual(line(falling), [now]);
    assert.deepEqual(line({ ...falling, state: "noted", headline: "noted", reason: "a · b" }), [now, "a", "b"]);
  });

  test("says why it is not calm before a deceleration that goes on", () => {
    for (const state of /** @type {const} */ (["shelved", "paused", "lost"])) {
      assert.deepEqual(line({ ...falling, state, headline: `${state} until`, reason: "why" }), ["why", now]);
    }
    assert.deepEqual(line({ ...falling, state: "noted", headline: "catching up", reason: "old" }), ["old", now]);
    assert.deepEqual(line({ ...falling, state: "noted", headline: "noted", moving_to: "bed-2", reason: "moving to bed-2; a" }), ["moving to bed-2; a", now]);
  });

  test("says all of it on its own page, and what goes on first", () => {
    const whole = { ...falling, reason: "a", full_reason: "a · b" };
    assert.equal(wholeLine(whole), `${now} · a · b`);
    assert.equal(wholeLine({ ...whole, running: "" }), "a · b");
    assert.equal(wholeLine({ ...whole, full_reason: "" }), `${now} · a`);
    assert.equal(wholeLine({ ...whole, state: "look", flag: "f" }), "a · b", "what it calls for says it");
    assert.equal(wholeLine({ ...whole, state: "unwatched" }), "a · b", "not known to go on");
    assert.equal(wholeLine({ ...whole, state: "lost", headline: "signal lost" }), `a · b · ${now}`);
    assert.equal(wholeLine({ ...whole, state: "noted", headline: "catching up" }), `a · b · ${now}`);
  });

  test("leaves out details where a deceleration that goes on leaves no room for them, and the line is never cut", () => {
    const facts = "variable decelerations, 15 of 16 contractions · deepest 35 bpm · variability 4 bpm for 22 min";
    assert.deepEqual(line({ ...falling, state: "noted", headline: "noted", reason: facts }), [now, "variable decelerations, 15 of 16 contractions"]);
    const shelved = "low variability, shelved by Nora: she is asleep, we look again";
    assert.deepEqual(line({ ...falling, state: "shelved", headline: "look, shelved until", reason: shelved }), [shelved, "Deceleration now, 24 s"]);
    const lost = "No data for 41 s, monitor disconnected · variability 4 bpm for 22 min";
    assert.deepEqual(line({ ...falling, state: "lost", headline: "signal lost", reason: lost }), ["No data for 41 s, monitor disconnected", now]);
    const twins = "first twin: 124 s, 35 bpm deep, variable so far; second twin: 31 s, 20 bpm deep, late so far";
    assert.deepEqual(line({ ...falling, running: twins }), ["Deceleration now, first twin: 124 s; second twin: 31 s"]);
  });

  test("that is empty keeps until when a leaving can be undone", () => {
    const undoable = { what: /** @type {const} */ ("leaving"), by: "Konstantina", until: AT };
    const parts = line({ ...falling, state: "empty", reason: "A device is sending, nobody is here", running: "", undoable });
    assert.deepEqual(parts, ["A device is sending, nobody is here", "can be undone until 00:04"]);
  });

  test("that nobody watches says only that: what was going on is not known to go on now", () => {
    assert.deepEqual(line({ ...falling, state: "unwatched", headline: "unwatched", reason: "no detector has looked for 9 s" }), ["no detector has looked for 9 s"]);
  });
});

test("names are read as words, those of the log by what they are called", () => {
  assert.equal(plain("low-baseline_bpm"), "low baseline bpm");
  const sent = { dataset: { logWords: '{"flag-escalated":"escalated"}' } };
  Object.assign(globalThis, { document: { getElementById: () => sent } });
  assert.equal(word("flag-escalated"), "escalated");
  assert.equal(word("some-new-kind"), "some new kind");
});

describe("this screen's clock", () => {
  const SERVER = 1_000_000;
  /**
   * An answer to the question for the server's time, which the server has given half way.
   * @param {ScreenClock} clock
   * @param {number} aheadMs of this screen's clock
   * @param {number} tookMs
   */
  const ask = (clock, aheadMs, tookMs) => clock.take(SERVER, SERVER + aheadMs + tookMs / 2, tookMs);

  test("is not spoken of before it was compared, nor while it agrees within 2 s", () => {
    assert.equal(new ScreenClock().words, "");
    for (const ahead of [2000, -2000]) {
      const clock = new ScreenClock();
      ask(clock, ahead, 100);
      assert.equal(clock.words, "");
    }
  });

  test("is ahead or behind, by what the question has taken half of", () => {
    for (const [ahead, words] of /** @type {const} */ ([[61_000, "61 s ahead of"], [-61_000, "61 s behind"]])) {
      const clock = new ScreenClock();
      ask(clock, ahead, 4000);
      assert.equal(clock.words, `This screen's clock is ${words} the server's.`);
    }
  });

  test("is not blamed for a slow answer, on whichever way it was slow", () => {
    for (const arrived of [SERVER, SERVER + 26_000]) {
      const clock = new ScreenClock();
      clock.take(SERVER, arrived, 26_000);
      assert.equal(clock.words, "", "13 s ahead or behind, and uncertain by 13 s");
    }
  });

  test("is what the quickest of the last answers says", () => {
    const clock = new ScreenClock();
    ask(clock, 30_000, 20);
    for (let i = 0; i < KEPT - 1; i++) clock.take(SERVER, SERVER + 9000, 9000);
    assert.match(clock.words, /30 s ahead/);
    ask(clock, 0, 30);
    assert.equal(clock.words, "", "the clock was put right, and the quickest answer is no longer among the last");
  });

  test("is compared at once and then twice a minute", () => {
    const clock = new ScreenClock();
    const asked = [];
    for (let ms = 0; ms < 70_000; ms += 1000) {
      if (clock.isDue(ms)) {
        asked.push(ms);
        ask(clock, 0, 10);
      }
    }
    assert.deepEqual(asked, [0, 1000, 2000, 32_000, 62_000]);
  });
});
