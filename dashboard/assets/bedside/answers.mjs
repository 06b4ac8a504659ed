// Which line of a log answers what was sent from here. Pure.

/** @import { LogEvent } from "../shared/types" */

/** @typedef {{ by: string, after: number }} Sent who sent it, and the number of the log's newest line when it went */

/**
 * The first line of a log, newest first, that `by` has brought about after line number `after`.
 * @param {Sent} sent
 * @param {LogEvent[]} newestFirst
 */
export function answerTo({ by, after }, newestFirst) {
  return newestFirst.find((event) => numberOf(event) > after && event.detail.by === by);
}

/** @param {LogEvent} event */
function numberOf(event) {
  return Number(event.id.slice(event.id.lastIndexOf("-") + 1));
}
