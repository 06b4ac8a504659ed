// Says that the page itself has stopped: an animation, which the browser goes on with when nothing of the page runs any
// more. As long as the page runs, it is put back to its beginning.

const EVERY_MS = 1000;
let putBackAt = -Infinity;

/** With every frame, so that the browser paints once for both. */
export function putBack() {
  putBackAt = performance.now();
  for (const animation of document.getElementById("stopped")?.getAnimations() ?? []) animation.currentTime = 0;
}

/** Where no frames come, too: it is not the page then. */
export function watchThePageItself() {
  setInterval(() => {
    if (performance.now() - putBackAt > 1.5 * EVERY_MS) putBack();
  }, EVERY_MS);
}
