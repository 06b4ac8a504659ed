// Who uses this screen: signed in, or, where the page is open, a name that is asked for once, remembered and in sight.

import { button, byId, field, make, statusLine } from "./elements.mjs";
import { _, said } from "./language.mjs";
import { memory } from "./memory.mjs";

/** @import { User } from "./types" */

const NAME_KEY = "quietward-name";
const LONGEST = 64;
/** @type {User | null} */
let me = null; // what the server says; null until it has

export async function mountUser() {
  const place = document.getElementById("who");
  if (!place || place.dataset.state) return;
  place.dataset.state = "asked";
  try {
    me ??= /** @type {User} */ (await (await fetch("/me")).json());
  } catch {
    delete place.dataset.state; // the trouble line says that the server is away; asked again with the next frame
    return;
  }
  document.body.dataset.role = me.role;
  if (me.open) askName(place);
  else {
    const out = button(_("Sign out"), "plain", () => void signOut());
    place.append(make("span", "signed-in", `${me.name}, ${said(me.role)}`), out);
  }
}

export function role() {
  return me?.role ?? "";
}

/** @param {HTMLElement} place */
function askName(place) {
  const { label, input } = nameField();
  input.id = "who-name";
  place.append(label, statusLine("span", "missing-name", _("Enter your name")));
}

/** A field for one's own name; all of them say the same. */
export function nameField() {
  const found = field(_("Your name"), "input", { maxLength: LONGEST, autocomplete: "off", className: "own-name" });
  found.input.value = remembered();
  found.input.addEventListener("input", () => {
    memory.set(NAME_KEY, found.input.value.trim());
    for (const other of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll("input.own-name"))) {
      if (other !== found.input) other.value = found.input.value;
    }
    byId("who").classList.remove("missing");
  });
  return found;
}

function remembered() {
  return (memory.get(NAME_KEY) ?? "").trim();
}

/** Whether somebody must still say who she is. */
export function isNameless() {
  return me?.open !== false && !remembered();
}

async function signOut() {
  try {
    await fetch("/sign-out", { method: "POST" });
  } finally {
    toSignIn();
  }
}

export function toSignIn() {
  location.assign(`/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`);
}

/** Returns the name; without one it shows where to write it and returns an empty text. */
export function userName() {
  if (me && !me.open) return me.name;
  if (!isNameless()) return remembered();
  byId("who").classList.add("missing");
  const inDialog = /** @type {HTMLElement | null} */ (document.querySelector("dialog[open] .own-name"));
  (inDialog ?? document.getElementById("who-name"))?.focus();
  return "";
}
