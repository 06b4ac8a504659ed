// Where a woman can be moved to. Pure.

/** @import { Card } from "../shared/types" */

const BY_NUMBER = new Intl.Collator("en", { numeric: true });

/**
 * The beds of which somebody has said that nobody is in them, in the order of their names.
 * @param {Pick<Card, "bed" | "state">[]} cards
 * @param {string} but the bed that she is in
 */
export function emptyBeds(cards, but) {
  const beds = cards.filter(({ bed, state }) => state === "empty" && bed !== but).map(({ bed }) => bed);
  return beds.sort((a, b) => BY_NUMBER.compare(a, b));
}
