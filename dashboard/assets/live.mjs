// Entry: one socket for the page; views come and go as Dash changes pages. Which pages there are, the server says.

import { Feed } from "./shared/feed.mjs";
import { ScreenClock } from "./shared/clock.mjs";
import { byId, make, setText } from "./shared/elements.mjs";
import { _, said } from "./shared/language.mjs";
import { mountOptions } from "./shared/options.mjs";
import { Sound } from "./shared/sound.mjs";
import { putBack, watchThePageItself } from "./shared/stopped.mjs";
import { hideTrouble, showTrouble } from "./shared/trouble.mjs";
import { mountUser, toSignIn } from "./shared/user.mjs";
import { speedWords, timeOfDay } from "./shared/words.mjs";

/** @import { Page, View, ViewClass } from "./shared/types" */

const STRAYED_FRAMES = 3; // one a second; a page that is only slow has come by then

const screenClock = new ScreenClock();
const sound = new Sound();
/** @type {HTMLElement | null} */
let shownIn = null;
/** @type {View | null} */
let view = null;
let strayed = 0; // frames in a row that found another page than that of the address

const feed = new Feed({
  onFrame(head, strips) {
    const name = document.getElementById("ward-name");
    if (!name) return; // Dash has not drawn the page yet; the next frame comes in a second
    setText(name, head.ward);
    setText(byId("clock"), timeOfDay(head.now));
    setText(byId("clocks"), [speedWords(head.speed), screenClock.words].filter(Boolean).join(" "));
    void compareClocks();
    document.body.classList.remove("no-server");
    void mountUser();
    if (head.troubles.length) showTrouble(head.troubles.map(said).join("; "));
    else hideTrouble();
    view?.show(head, strips);
    putBack();
    followAddress();
    sound.hear(head.beds.map((bed) => bed.card));
  },
  onSignedOut: toSignIn,
  onNotShown(since) {
    document.body.classList.add("no-server");
    showTrouble(_("What has come since {since} could not be shown. What is shown below is old. Load the page again.", { since: timeOfDay(since) }));
  },
  onLost(since) {
    document.body.classList.add("no-server");
    showTrouble(_("No connection to the server since {since}. What is shown below is old. Trying again.", { since: timeOfDay(since) }));
  },
});

async function compareClocks() {
  const asked = performance.now();
  if (!screenClock.isDue(asked)) return;
  try {
    const answer = await fetch("/clock", { cache: "no-store" });
    if (!answer.ok) return;
    const { now } = await answer.json();
    screenClock.take(now, Date.now(), performance.now() - asked);
  } catch {
    // the trouble line says that the server is away
  }
}

/**
 * A link that was pressed while the server was away has changed the address and nothing else: once it is back, the page
 * of the address is loaded.
 */
function followAddress() {
  const isThere = !shownIn || shownIn.dataset.path === location.pathname;
  strayed = isThere ? 0 : strayed + 1;
  if (strayed === STRAYED_FRAMES) location.reload();
}

function mount() {
  void mountUser();
  mountOptions();
  sound.mount();
  const host = /** @type {HTMLElement | null} */ (document.querySelector(".live"));
  if (host === shownIn) return;
  view?.close();
  view = null;
  shownIn = host;
  if (host) void open(host);
}

/** @param {HTMLElement} host */
async function open(host) {
  /** @type {Page[]} */
  const pages = JSON.parse(byId("page").dataset.pages ?? "[]");
  const page = pages.find((one) => one.view === host.dataset.view);
  if (!page) return;
  for (const link of document.querySelectorAll(".top nav a")) {
    if (link.getAttribute("href") === page.path) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  try {
    const [{ default: Shown }] = /** @type {[{ default: ViewClass }, void]} */ (await Promise.all([import(page.module), styled(page.style)]));
    if (host !== shownIn) return; // another page has been opened meanwhile
    view = new Shown(host, page.data);
    if (feed.head) view.show(feed.head, feed.strips);
  } catch (error) {
    if (host === shownIn && !view) host.replaceChildren(make("p", "empty", _("This page could not be loaded. Load it again.")));
    throw error; // into the browser's console
  }
}

/**
 * Loads a style sheet once; resolves when it is there.
 * @param {string} address
 * @returns {Promise<void>}
 */
function styled(address) {
  if (!address || document.querySelector(`link[href="${address}"]`)) return Promise.resolve();
  const link = Object.assign(document.createElement("link"), { rel: "stylesheet", href: address });
  return new Promise((resolve, reject) => {
    link.addEventListener("load", () => resolve());
    link.addEventListener("error", reject);
    document.head.append(link);
  });
}

new MutationObserver(mount).observe(document.documentElement, { childList: true, subtree: true });
mount();
watchThePageItself();
feed.open();
