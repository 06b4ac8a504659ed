// Devices that the ward does not expect, for whoever is in charge: each waits until it is taken in.

import { send } from "../bedside/send.mjs";
import { button, ifChanged, make, setHidden, setText, statusLine } from "../shared/elements.mjs";
import { _, ngettext } from "../shared/language.mjs";
import { role } from "../shared/user.mjs";
import { duration, timeOf } from "../shared/words.mjs";

/** @import { FrameHead, UnexpectedDevice } from "../shared/types" */

const HEARD_S = 10; // a device that was heard so lately is sending

export class UnexpectedDevices {
  constructor() {
    this.root = make("details", "box unexpected");
    this.title = make("summary");
    this.list = make("ul");
    this.result = statusLine("p", "result");
    const hint = make("p", "hint", _("The ward does not expect them, and nothing of what they send is used. Taken in, each is a bed of its own name."));
    this.root.append(this.title, hint, this.list, this.result);
    this.root.hidden = true;
    /** @type {Map<string, HTMLElement>} */
    this.heard = new Map(); // what is said of each device
  }

  /** @param {FrameHead} head */
  show({ unexpected, now }) {
    setHidden(this.root, role() !== "in charge" || unexpected.length === 0);
    if (this.root.hidden) return;
    setText(this.title, ngettext("1 device waits to be taken in", "{n} devices wait to be taken in", unexpected.length));
    ifChanged(this.list, unexpected.map((device) => device.name), () => {
      this.heard.clear();
      this.list.replaceChildren(...unexpected.map((device) => this.line(device)));
    });
    for (const device of unexpected) {
      const words = this.heard.get(device.name);
      if (words) setText(words, heardWords(device, now));
    }
  }

  /** @param {UnexpectedDevice} device */
  line({ name }) {
    const words = make("span", "heard");
    this.heard.set(name, words);
    const take = button(_("Take in"), "plain", () => void this.take(name, take));
    take.setAttribute("aria-label", _("Take in {name}", { name }));
    const line = make("li");
    line.append(make("strong", "", name), words, take);
    return line;
  }

  /**
   * @param {string} name
   * @param {HTMLButtonElement} pressed
   */
  async take(name, pressed) {
    pressed.disabled = true;
    const { trouble } = await send(name, 0, { type: "take-in" });
    setText(this.result, trouble || _("{name} is taken in", { name }));
    pressed.disabled = false;
  }
}

/**
 * Since when a device has been heard, and whether it still is.
 * @param {UnexpectedDevice} device
 * @param {number} now
 */
function heardWords({ first_at: first, last_at: last }, now) {
  const silent_s = (now - last) / 1000;
  const since = timeOf(first);
  return silent_s < HEARD_S
    ? _("heard since {since}, sending now", { since })
    : _("heard since {since}, silent for {time}", { since, time: duration(silent_s) });
}
