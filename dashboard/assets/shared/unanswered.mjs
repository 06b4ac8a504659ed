// Which flags of a bed nobody has answered. Pure.

/** @import { Card } from "./types" */

/**
 * Their levels: each of twins has a flag of its own, and an answered one may be the higher.
 * @param {Pick<Card, "flag" | "acknowledged_by" | "level" | "twins">} card
 */
export function unanswered(card) {
  const each = card.twins.length ? card.twins : [card];
  return each.filter((one) => one.flag && !one.acknowledged_by).map((one) => one.level);
}
