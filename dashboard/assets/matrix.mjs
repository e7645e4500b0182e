// Which instrument feeds which answer. A test holds the table against the one that the
// detectors' own test writes. No element is touched here.

// What is lost with a channel alone: "gone" or "degraded" of each answer.
export const FEEDS = {
  hook_load: { crown: "degraded", floor: "gone", "brake heat": "degraded", "brake margin": "gone" },
  block_height: { crown: "degraded", floor: "degraded" },
  drum_speed: {},
  drum_counts: { crown: "degraded", floor: "degraded" },
  brake_pressure: { "brake heat": "degraded", friction: "degraded", auxiliary: "gone" },
  auxiliary_current: { auxiliary: "degraded" },
};

export const ANSWERS = ["crown", "floor", "brake heat", "friction", "brake margin", "auxiliary"];

// matrix returns a row for each channel of snapshot: {channel, bad, cells}, a cell for
// each answer: {use: "needs" | "helps" | "", lost} where lost tells that the channel
// is not good now.
export function matrix(snapshot) {
  return snapshot.channels.map((c) => {
    const bad = c.quality !== "good";
    const cells = ANSWERS.map((name) => {
      const loss = FEEDS[c.name]?.[name];
      return { use: loss === "gone" ? "needs" : loss === "degraded" ? "helps" : "", lost: bad && !!loss };
    });
    return { channel: c, bad, cells };
  });
}
