// Reads a bed's log when its card says that there may be something new.

/** @import { Card, LogEvent } from "./types" */

export class LogReader {
  /**
   * @param {string} bed
   * @param {(newestFirst: LogEvent[]) => void} onRead
   */
  constructor(bed, onRead) {
    this.bed = bed;
    this.onRead = onRead;
    this.known = ""; // what was asked for last
  }

  /**
   * The log is that of whoever is in the bed; a move is done without a line of its own.
   * @param {Pick<Card, "stay" | "events" | "moving_to">} card
   */
  follow({ stay, events, moving_to: to }) {
    const now = `${stay} ${events} ${to}`;
    if (now !== this.known) void this.read(now);
  }

  /** @param {string} now */
  async read(now) {
    this.known = now;
    /** @type {{ events: LogEvent[] } | null} */
    let answer = null;
    try {
      answer = await (await fetch(`/log/${this.bed}`)).json();
    } catch {
      // the trouble line says that the server is away
    }
    if (this.known !== now) return; // a newer one is on its way, or was faster
    if (answer) this.onRead(answer.events);
    else this.known = ""; // the next frame asks again
  }
}
