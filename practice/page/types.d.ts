// What the Practice page and its routes send each other; practice/answer.py, compare.py and the others have the server's side.

import type { Level } from "/assets/shared/types";

export type What = "acceleration" | "deceleration";
export type Kind = "" | "early" | "late" | "variable" | "prolonged";

/** What the page is told: the names of the classes of every rule set, the calm one first; the lowest and the highest FHR. */
export interface PracticeData {
  classes: Record<string, string[]>;
  bounds: [number, number];
}

/** A set as learners get it: the codes of its strips, in order. */
export interface PracticeSet {
  name: string;
  title: string;
  strips: string[];
}

/** A set as it is listed for whoever is in charge; trouble: why it cannot be used. */
export interface SetRow {
  name: string;
  title: string;
  strips: number;
  answers: number;
  trouble: string;
}

/** A strip of a set, for its teacher. */
export interface StripRow {
  name: string;
  truth: string;
  minutes: number;
  events: number;
  trouble: string;
}

/** A learner of a class; trouble: her most frequent mistake. */
export interface LearnerRow {
  learner: string;
  answers: number;
  strips: number;
  mean_score: number;
  trouble: string;
}

/** A kind of mistake over a learner's answers; shares: one for each answer, null where there was no occasion. */
export interface MistakeProgress {
  kind: string;
  shares: (number | null)[];
  wrong: number;
  of: number;
  recent_wrong: number;
  recent_of: number;
}

/** A learner's answers, oldest first. */
export interface Progress {
  learner: string;
  at: number[];
  scores: number[];
  kinds: MistakeProgress[];
  recent: number;
}

export interface Scenarios {
  largest_seed: number;
  scenarios: { name: string; digest: string }[];
}

/** FHR in quarters of a bpm, UA in halves, -1 for no value. */
export interface Signals {
  seconds: number;
  fhr: number[];
  ua: number[];
}

/** What a learner has marked; seconds from the strip's beginning. */
export interface LearnersMark {
  what: What;
  kind: Kind;
  from_s: number;
  until_s: number;
}

export interface Answer {
  baseline_bpm: number | null;
  marks: LearnersMark[];
  rules: string;
  rule_class: number | null;
  next: Level | null;
  note: string;
  learner: string;
  set: string;
}

export interface Found {
  what: string;
  kind: string;
  from_s: number;
  extreme_s: number;
  until_s: number;
  size_bpm: number;
}

/** One true event, and who saw it. */
export interface Line {
  what: string;
  kind: string;
  from_s: number;
  until_s: number;
  size_bpm: number;
  you: string;
  detector: string;
  asked: boolean;
  why_not: string;
  why: string[];
}

/** A part of the score in words. */
export interface Part {
  name: string;
  points: number;
  most: number;
  you: string;
  truth: string;
  detector: string;
}

/** How often a learner went wrong in this way, out of how often she could have. */
export interface Mistake {
  kind: string;
  wrong: number;
  of: number;
}

export interface Compared {
  scenario: string;
  purpose: string;
  good_watcher: string;
  truth: "simulation" | "marks" | "annotations" | "detector";
  score: number;
  parts: Part[];
  lines: Line[];
  extra: Found[];
  detector_events: Found[];
  extra_of_detector: Found[];
  rule_class: number | null;
  true_class: number | null;
  detector_class: number | null;
  detector_reasons: string[];
  concern: number | null;
  note: string;
  mistakes: Mistake[];
}
