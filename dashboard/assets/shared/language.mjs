// The words of the page in the reader's language. Keys are the English sentences; the table comes with the page's shell
// and is that of quietward/language, which does the same for what the server writes.

/** @typedef {Record<string, string | string[]>} Words */
/** @typedef {{ pattern: RegExp, names: string[], literal: string, isWeak: boolean, free: Set<string | undefined>, whole: Set<string | undefined>, translation: string }} Template */

const OWN = new Set(["bed", "by", "label", "name", "note", "of", "other", "to", "values", "why"]); // as people wrote it
const WRITTEN = ["note", "why"]; // of these, sentences
const FACTS = " · ";
const BETWEEN = "; ";
const NOW = "; now ";
const SEPARATORS = [NOW, BETWEEN, ": ", ", "];
const WEAK_LETTERS = 8; // a template with fewer of its own has no separator within what is put into it
const PLACEHOLDER = /\{(\w+)\}/;
const PLACEHOLDERS = new RegExp(PLACEHOLDER, "g");
const REMEMBERED = 4096;
const PLURALS = ["zero", "one", "two", "few", "many", "other"]; // in this order a table has its forms

export class Language {
  /**
   * @param {string} name
   * @param {Words} words
   */
  constructor(name, words) {
    this.name = name;
    this.words = words;
    this.plurals = new Intl.PluralRules(name);
    this.numbers = new Intl.NumberFormat(name, { useGrouping: false });
    this.forms = PLURALS.filter((form) => this.plurals.resolvedOptions().pluralCategories.some((one) => one === form));
    this.templates = templatesOf(words);
    /** @type {Map<string, string>} */
    this.remembered = new Map();
  }

  /**
   * A sentence of the page's own.
   * @param {string} english
   * @param {Record<string, string | number>} values
   */
  text(english, values = {}) {
    const word = this.words[english] ?? english;
    return this.fill(typeof word === "string" ? word : (word.at(-1) ?? english), values);
  }

  /**
   * The same for a number of things.
   * @param {string} one
   * @param {string} many
   * @param {number} n
   */
  counted(one, many, n) {
    const forms = this.words[one];
    if (!Array.isArray(forms)) return this.fill(n === 1 ? one : many, { n });
    return this.fill(forms[Math.max(0, this.forms.indexOf(this.plurals.select(n)))] ?? many, { n });
  }

  /**
   * A finished English sentence of the server, by the template that made it; what none has made stays.
   * @param {string} sentence
   * @returns {string}
   */
  said(sentence) {
    if (this.templates.length === 0 || !sentence) return sentence;
    const known = this.remembered.get(sentence);
    if (known !== undefined) return known;
    const word = this.words[sentence];
    const found = typeof word === "string" ? word
      : sentence.includes(FACTS) ? sentence.split(FACTS).map((fact) => this.said(fact)).join(FACTS)
      : this.whole(sentence) ?? this.parts(sentence);
    if (this.remembered.size >= REMEMBERED) this.remembered.clear();
    this.remembered.set(sentence, found);
    return found;
  }

  /**
   * What one key says of all of a sentence, which may stand within another and begin small.
   * @param {string} sentence
   */
  whole(sentence) {
    if (/^-?\d+\.\d+$/.test(sentence)) return this.number(sentence);
    const variants = [...new Set([sentence, sentence.charAt(0).toUpperCase() + sentence.slice(1)])];
    for (const written of variants) {
      const word = this.words[written];
      if (typeof word === "string") return word;
    }
    for (const template of this.templates) {
      for (const written of variants) {
        const found = valuesIn(template, written);
        if (!found) continue;
        const values = template.names.map((name, i) => [name, OWN.has(name) ? found[i] : this.said(found[i] ?? "")]);
        return this.fill(template.translation, Object.fromEntries(values));
      }
    }
    return null;
  }

  /** @param {string} sentence */
  parts(sentence) {
    const separator = SEPARATORS.find((one) => sentence.includes(one));
    if (!separator) return sentence;
    const at = sentence.indexOf(separator);
    return this.said(sentence.slice(0, at)) + this.text(separator) + this.said(sentence.slice(at + separator.length));
  }

  /** @param {string} text a number with a point */
  number(text) {
    const digits = text.length - text.indexOf(".") - 1;
    return new Intl.NumberFormat(this.name, { minimumFractionDigits: digits, maximumFractionDigits: digits, useGrouping: false }).format(Number(text));
  }

  /**
   * @param {string} template
   * @param {Record<string, string | number>} values
   */
  fill(template, values) {
    return template.replace(PLACEHOLDERS, (whole, name) => {
      const value = values[name];
      if (value === undefined) return whole;
      return typeof value === "number" ? this.numbers.format(value) : value;
    });
  }
}

/**
 * What a placeholder can hold: one that is called n, n2 and so on a number; a bed's name.
 * @param {string} name
 */
function valueOf(name) {
  return /^n\d*$/.test(name) ? "(-?\\d[\\d.]*|–|unknown)" : name === "bed" ? "([a-z0-9-]+)" : "(.*?)";
}

/**
 * What was put into a template to make a sentence; null if it is of another.
 * @param {Template} template
 * @param {string} sentence
 */
function valuesIn({ pattern, names, literal, isWeak, free, whole }, sentence) {
  const values = sentence.includes(literal) ? pattern.exec(sentence)?.slice(1) : null;
  const isClosed = (/** @type {string} */ value, /** @type {number} */ i) => !free.has(names[i]) && SEPARATORS.some((one) => value.includes(one));
  if (!values || (isWeak && values.some(isClosed))) return null;
  if (values.some((value, i) => !whole.has(names[i]) && value.includes(BETWEEN))) return null;
  return values;
}

/**
 * All keys with placeholders, those that say most first; of those that say as much, those that name somebody. What ends
 * one behind a colon may hold separators. What people have written at its end does not hold "; ": behind it there may be
 * another sentence, and where there is none, it stays as it is all the same.
 * @param {Words} words
 * @returns {Template[]}
 */
function templatesOf(words) {
  const found = [];
  for (const [key, translation] of Object.entries(words)) {
    const pieces = key.split(PLACEHOLDER);
    const literals = pieces.filter((_piece, i) => i % 2 === 0);
    const literal = literals.reduce((a, b) => (b.length > a.length ? b : a));
    if (pieces.length === 1 || typeof translation !== "string" || !literal) continue;
    const pattern = new RegExp(`^${pieces.map((piece, i) => (i % 2 ? valueOf(piece) : piece.replace(/[.*+?^${}()|[\]\\]/g, "\\$&"))).join("")}$`, "s");
    const isWeak = (literals.join("").match(/\p{L}/gu) ?? []).length < WEAK_LETTERS;
    const names = pieces.filter((_piece, i) => i % 2);
    const isOpen = pieces.at(-1) === "" && pieces.at(-3)?.endsWith(": ");
    const free = new Set(["values", isOpen ? names.at(-1) : "values"]);
    const whole = new Set([...free, ...WRITTEN]);
    const last = names.at(-1) ?? "";
    if (pieces.at(-1) === "" && last !== "values" && OWN.has(last)) whole.delete(last);
    found.push({ pattern, names, literal, isWeak, free, whole, translation, size: literals.join("").length, isNeutral: !names.some((one) => OWN.has(one)) });
  }
  return found.sort((a, b) => b.size - a.size || Number(a.isNeutral) - Number(b.isNeutral));
}

export const ENGLISH = new Language("en-GB", {});
/** @type {Language | null} */
let known = null;

/** The reader's language; English until the page's shell is there. */
export function language() {
  if (known) return known;
  const page = globalThis.document?.getElementById("page");
  if (!page?.dataset.words) return ENGLISH;
  known = document.documentElement.lang === "en" ? ENGLISH : new Language(document.documentElement.lang, JSON.parse(page.dataset.words));
  return known;
}

/**
 * A sentence of the page's own in the reader's language.
 * @param {string} english
 * @param {Record<string, string | number>} values of its placeholders
 */
export function _(english, values = {}) {
  return language().text(english, values);
}

/**
 * The same for a number `{n}` of things.
 * @param {string} one
 * @param {string} many
 * @param {number} n
 */
export function ngettext(one, many, n) {
  return language().counted(one, many, n);
}

/**
 * Marks a sentence that is looked up where it is shown.
 * @param {string} english
 */
export function N_(english) {
  return english;
}

/**
 * A finished sentence of the server in the reader's language.
 * @param {string} sentence
 */
export function said(sentence) {
  return language().said(sentence);
}
