// Entry: one socket for the page; views come and go as Dash changes pages.

import { Feed } from "./modules/feed.mjs";
import { WardView } from "./modules/ward_view.mjs";
import { BedView } from "./modules/bed_view.mjs";
import { HoursView } from "./modules/hours_view.mjs";
import { PracticeView } from "./modules/practice_view.mjs";
import { ShiftView } from "./modules/shift_view.mjs";
import { StudyView } from "./modules/study_view.mjs";
import { ScreenClock } from "./modules/clock.mjs";
import { say } from "./modules/elements.mjs";
import { mountOptions } from "./modules/options.mjs";
import { Sound } from "./modules/sound.mjs";
import { hideTrouble, showTrouble } from "./modules/trouble.mjs";
import { mountWho, toSignIn } from "./modules/who.mjs";

const VIEWS = { ward: WardView, bed: BedView, hours: HoursView, shift: ShiftView, study: StudyView, practice: PracticeView };
const screenClock = new ScreenClock();
const sound = new Sound();
let view = null;

const feed = new Feed({
  onFrame(head, strips) {
    const name = document.getElementById("ward-name");
    if (!name) return; // Dash has not drawn the page yet; the next frame comes in a second
    name.textContent = head.ward;
    document.getElementById("clock").textContent = new Date(head.now).toLocaleTimeString([], { hourCycle: "h23" });
    say(document.getElementById("clocks"), screenClock.words(head.now, Date.now()));
    document.body.classList.remove("no-server");
    mountWho();
    if (head.troubles.length) showTrouble(head.troubles.join("; "));
    else hideTrouble();
    view?.show(head, strips);
    sound.hear(head.beds.map((bed) => bed.card));
  },
  onSignedOut: toSignIn,
  onLost(since) {
    document.body.classList.add("no-server");
    showTrouble(`No connection to the server since ${new Date(since).toLocaleTimeString([], { hourCycle: "h23" })}. What is shown below is old. Trying again.`);
  },
});

function mount() {
  mountWho();
  mountOptions();
  sound.mount();
  const host = document.querySelector(".live");
  if (host === view?.host) return;
  view?.close();
  view = null;
  if (!host) return;
  for (const link of document.querySelectorAll(".top nav a")) {
    if (link.textContent.toLowerCase() === host.dataset.view) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  view = new VIEWS[host.dataset.view](host);
  if (feed.head) view.show(feed.head, feed.strips);
}

new MutationObserver(mount).observe(document.documentElement, { childList: true, subtree: true });
mount();
feed.open();
