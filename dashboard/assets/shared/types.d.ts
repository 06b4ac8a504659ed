// What the server sends and takes, and what the page's modules hand to each other. A test in Python holds the names of
// the fields against the server's own types.

import type { Strip } from "./strip.mjs";

export type Level = "quiet" | "noted" | "look" | "bedside" | "team";
export type State = Level | "lost" | "unwatched" | "paused" | "shelved" | "empty";

/** Something on a strip, in seconds by the bed's clock; to null: it marks a moment. */
export interface StripMark {
  kind: string;
  from: number;
  to: number | null;
  text: string;
  why: string[];
}

/** A mark with an end. */
export type Span = StripMark & { to: number };

/** Second and baseline in bpm, a point a minute. */
export type TrendPoint = [second: number, bpm: number | null];

export interface Paused {
  by: string;
  why: string;
  until: number;
}

export interface Shelved {
  condition: string;
  by: string;
  why: string;
  until: number;
  active: boolean;
  level: Level;
}

/** Somebody who has said that she goes to the bed; ms by the server's clock. */
export interface Attending {
  by: string;
  at: number;
  until: number;
}

/** A condition that has another limit at this bed until `until`. */
export interface BedLimit {
  condition: string;
  limit: number;
  by: string;
  why: string;
  until: number;
}

/** Something that was done; numbers: word, before, after, unit. */
export interface CareNote {
  t: number;
  by: string;
  what: string;
  numbers: [word: string, before: string, after: string, unit: string][];
  result: string;
  result_at: number | null;
}

/** Contractions timed by hand. */
export interface ManualTimingLine {
  text: string;
  differs: string;
  is_running: boolean;
  since_onset_s: number;
  running_from_s: number | null;
}

/** One bed as it is shown; `_s` are seconds, t and until ms, by the bed's clock. */
export interface Card {
  bed: string;
  state: State;
  shape: string;
  headline: string;
  reason: string;
  signal: string;
  signal_reason: string;
  full_reason: string;
  until: number | null;
  level: Level;
  hides: string;
  age_s: number | null;
  level_since: number | null;
  level_s: number | null;
  waiting_s: number | null;
  fhr: string;
  baseline: string;
  variability: string;
  baseline_trend: string;
  variability_trend: string;
  contractions: string;
  contraction_rate: string;
  contraction_from_s: number | null;
  running: string;
  running_from_s: number | null;
  concern: number | null;
  concern_parts: [finding: string, points: number][];
  classes: [rules: string, name: string, criteria: string[]][];
  flag: string | null;
  acknowledged_by: string | null;
  source: string;
  events: number;
  t: number | null;
  clock: string;
  far_clock: string;
  rules: string;
  paused: Paused | null;
  shelved: Shelved[];
  limited: BedLimit[];
  held_back: string[];
  notes: CareNote[];
  hand: ManualTimingLine | null;
  attending: Attending[];
  stay: number;
  label: string;
  facts: string[];
  here_since: number | null;
  former: FormerStay[];
  undoable: Undoable | null;
  arrival: Arrival | null;
  came_from: string;
  moving_to: string;
  twins: Twin[];
}

/** One of two fetuses of a bed, the first FHR channel first. */
export interface Twin {
  name: string;
  level: Level;
  reason: string;
  signal: string;
  fhr: string;
  baseline: string;
  variability: string;
  concern: number | null;
  flag: string | null;
  acknowledged_by: string | null;
  running_from_s: number | null;
  baseline_trend: string;
  variability_trend: string;
}

/** A stay that has ended and can still be read; began, ended: ms by the bed's clock. */
export interface FormerStay {
  stay: number;
  label: string;
  began: number | null;
  ended: number;
  moved_to: string;
}

/** The newest arrival, leaving or move, which can be undone until `until`, ms by the server's clock. */
export interface Undoable {
  what: "arrival" | "leaving" | "move";
  by: string;
  until: number;
}

/** What staff say of a woman who has come; null: not said. stage: of labour, 0: not in labour. */
export interface Arrival {
  label: string;
  weeks: number | null;
  parity: number | null;
  stage: number | null;
  twins: boolean | null;
  risks: string[];
  note: string;
}

/** What a device says beside its signals. */
export interface LabourInfo {
  stage: number | null;
  weeks: number | null;
  mothers_bpm: number | null;
}

/** A condition whose limit may be another one for a single bed. */
export interface AdjustableLimit {
  condition: string;
  measure: string;
  limit: number;
  lowest: number;
  highest: number;
}

export interface PolicyInfo {
  name: string;
  rules: string;
  longest_shelve_s: number;
  longest_shelve_bedside_s: number;
  longest_pause_s: number;
  longest_limit_s: number;
  helps_within_s: number;
  limits: AdjustableLimit[];
  risks: string[];
  undo_stay_s: number;
}

/** One bed of a frame: its card, and which seconds of its strip follow the head. marks, trend: only when changed.
 * is_new: another stay has begun, nothing of the strip before is of it. */
export interface BedFrame {
  card: Card;
  first: number;
  seconds: number;
  is_new?: boolean;
  has_second?: boolean;
  labour?: LabourInfo;
  marks?: StripMark[];
  trend?: TrendPoint[];
  trend2?: TrendPoint[];
}

/** The head of a frame. whole: it carries everything that is held, not only what is new. speed: seconds of signal per
 * second, of a demo. */
export interface FrameHead {
  now: number;
  ward: string;
  troubles: string[];
  whole: boolean;
  speed: number;
  policy: PolicyInfo | null;
  unexpected: UnexpectedDevice[];
  beds: BedFrame[];
}

/** A device that waits until somebody takes it in; times in ms by the server's clock. */
export interface UnexpectedDevice {
  name: string;
  first_at: number;
  last_at: number;
}

/** What of a bed was refused for a reason; bed `?`: of no bed that the ward expects. count: of messages (ingest) or seconds
 * (detect). at, text, payload: of the newest message that is kept, ms by the server's clock; null: none is. */
export interface Refused {
  bed: string;
  reason: string;
  count: number;
  by: "ingest" | "detect";
  at: number | null;
  text: string;
  payload: string;
}

export type Strips = Map<string, Strip>;

/** One line of a bed's log. */
export interface LogEvent {
  id: string;
  bed: string;
  t: number;
  kind: string;
  text: string;
  detail: Record<string, number | string | null>;
  rules: string;
  stay: number;
}

/** What a person does at a bed, without the bed and the name. */
export type Command =
  | { type: "acknowledge"; flag: string | null; note?: string }
  | { type: "attend"; going: boolean }
  | { type: "shelve"; flag: string | null; for_s: number; why: string }
  | { type: "unshelve" }
  | { type: "care"; what: string; text?: string }
  | { type: "pause"; for_s: number; why?: string }
  | { type: "tap"; edge: Edge }
  | { type: "own-limit"; condition: string; limit: number | null; for_s: number; why: string }
  | { type: "arrive"; arrival: Arrival }
  | { type: "leave" }
  | { type: "move"; to: string }
  | { type: "correct-arrival"; arrival: Arrival }
  | { type: "undo-stay" }
  | { type: "take-in" }
  | { type: "forget" };

export type Edge = "start" | "end" | "undo";

/** Sends what was done; resolves to true when the server has taken it. */
export type Tell = (command: Command) => Promise<boolean>;

/** Who uses this screen. */
export interface User {
  open: boolean;
  name: string;
  role: string;
}

/** One page, as the server lists it. data: what its view is told. */
export interface Page {
  path: string;
  view: string;
  title: string;
  module: string;
  style: string;
  data: unknown;
}

/** What the views of ward and bed are told: words for each kind of care. */
export interface CareData {
  care: Record<string, string>;
}

export interface View {
  show(head: FrameHead, strips: Strips): void;
  close(): void;
}

export type ViewClass = new (host: HTMLElement, data: unknown) => View;

/** A height of FHR on paper; line, strong_line (0: none), labels: of the horizontal lines, in bpm. */
export interface FhrScale {
  bpm_per_cm: number;
  range: [low: number, high: number];
  line: number;
  strong_line: number;
  labels: number[];
}

export interface UaScale {
  range: [low: number, high: number];
  height_cm: number;
  line: number;
  label: number;
}

/** A paper speed, and the distances of vertical lines and of times of day. */
export interface SpeedScale {
  cm_per_min: number;
  line_s: number;
  strong_line_s: number;
  time_s: number;
}

/** How a kind of mark is drawn. label: "kind" stands for the first word of the mark's text. */
export interface MarkStyle {
  colour: string;
  place: "fhr" | "ua-bottom" | "ua-top";
  label: string;
}

/** What all drawings of a strip have in common. Of scales the first is the default. */
export interface StripStyle {
  normal_bpm: [low: number, high: number];
  fhr: [FhrScale, ...FhrScale[]];
  ua: UaScale;
  speeds: [SpeedScale, ...SpeedScale[]];
  marks: Record<string, MarkStyle>;
}

export type BpmPerCm = "fit" | "20" | "30";

/** How this screen shows things. */
export interface Options {
  order: "need" | "place";
  minute: "1" | "2" | "3";
  bpm: BpmPerCm;
  light: "auto" | "day" | "night";
}
