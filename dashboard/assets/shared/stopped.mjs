// Says that the page itself has stopped: an animation, which the browser goes on with when nothing of the page runs any
// more. As long as the page runs, it is put back to its beginning.

const EVERY_MS = 1000;

export function watchThePageItself() {
  setInterval(() => {
    for (const animation of document.getElementById("stopped")?.getAnimations() ?? []) animation.currentTime = 0;
  }, EVERY_MS);
}
