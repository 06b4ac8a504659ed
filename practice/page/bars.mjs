// Where the bars of a row of answers stand. Pure.

export const MOST = 40; // answers that are drawn, the newest
const STEP = 9, WIDTH = 7, HEIGHT = 28, FLAT = 2;

/**
 * One bar for each answer, 0 to 1; none where it is null; a flat one, which is no mistake, for 0.
 * @param {(number | null)[]} shares oldest first
 */
export function bars(shares) {
  const shown = shares.slice(-MOST);
  const rects = shown.flatMap((share, i) => {
    if (share === null) return [];
    const height = Math.max(FLAT, share * HEIGHT);
    return [{ x: i * STEP, y: HEIGHT - height, width: WIDTH, height, isNone: share === 0 }];
  });
  return { width: Math.max(1, shown.length) * STEP, height: HEIGHT, rects };
}
