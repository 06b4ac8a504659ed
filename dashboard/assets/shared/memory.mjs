// What this browser remembers; some refuse to, and then it holds while the page is open.

export class Memory {
  /** @param {() => Pick<Storage, "getItem" | "setItem">} storage asked anew each time, for asking may be refused, too */
  constructor(storage) {
    this.storage = storage;
    /** @type {Map<string, string>} */
    this.held = new Map();
  }

  /**
   * @param {string} key
   * @returns {string | null}
   */
  get(key) {
    try {
      return this.storage().getItem(key);
    } catch {
      return this.held.get(key) ?? null;
    }
  }

  /**
   * @param {string} key
   * @param {string} value
   */
  set(key, value) {
    this.held.set(key, value);
    try {
      this.storage().setItem(key, value);
    } catch {
      // it refuses; `held` has it
    }
  }
}

export const memory = new Memory(() => localStorage);
