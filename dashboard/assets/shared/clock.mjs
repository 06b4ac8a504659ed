// This screen's clock against the server's.

const AGREE_MS = 2000;
const FRAMES = 10;

export class ScreenClock {
  constructor() {
    /** @type {number[]} */
    this.newest = [];
  }

  /**
   * Transport only ever adds: the least of the last differences is nearest to that of the clocks.
   * @param {number} serverMs
   * @param {number} arrivedMs
   */
  words(serverMs, arrivedMs) {
    this.newest = [...this.newest, arrivedMs - serverMs].slice(-FRAMES);
    const ahead = Math.min(...this.newest);
    if (Math.abs(ahead) <= AGREE_MS) return "";
    const off = Math.abs(ahead / 1000).toFixed(0);
    return `This screen's clock is ${off} s ${ahead > 0 ? "ahead of" : "behind"} the server's.`;
  }
}
