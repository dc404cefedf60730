// What the parts of a job are called.

export const PHASES = {
  prepare: "Prepare",
  drain: "Drain and fill",
  line: "Cooler line",
  level: "Level",
  finish: "Finish",
};
