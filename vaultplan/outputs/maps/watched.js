// What is watched: gallons behind waters and outfalls, and how strictly each discharge is seen.
(function (vp) {
  "use strict";
  const { data, state, view } = vp;
  const { stops, left, watched, behind } = data;
  const STRICTEST = ["protected", "high", "unknown", "elevated", "ordinary"];
  const SIZES = [1.4, 1.2, 1.2, 1, 0.8];
  const sensitivityOf = new Map(watched.map((water) => [water.water_id, water.sensitivity]));

  const counted = (count, one, many) => `${vp.number(count)} ${count === 1 ? one : many}`;
  const rank = (stop) => Math.max(0, STRICTEST.indexOf(stop.sensitivity || "unknown"));
  const onDay = (at) => at.filter((k) => state.day < 0 || stops[k].day === state.day);

  // Means may be added, bands may not.
  function gallons(at) {
    return at.reduce((all, k) => all + (stops[k].gal || 0), 0);
  }

  function sum(at) {
    const gone = at.filter((k) => stops[k].gal === undefined).length;
    const total = vp.roughly(Math.round(gallons(at)));
    return `${total} gal expected in all, a sum of means${gone ? `; ${gone} without a forecast` : ""}.`;
  }

  // What stands behind an outfall on the day shown.
  function behindOutfall(id) {
    const row = behind[id] || { stops: [], left: [] };
    return { stops: onDay(row.stops), left: row.left };
  }

  vp.watched = { SIZES, counted, onDay, gallons, sum, behindOutfall, rank };
  Object.assign(view, {
    title: `Watch-list: ${data.head.week}`,
    listTitle: "Waters, strictest first",
    hasNumbers: false,
    isListFirst: true,
    isSeaTold: true,
    isGuarded: (water) => ["protected", "high"].includes(sensitivityOf.get(water.water_id)),
    waterName: (water) => `${water.name} (${sensitivityOf.get(water.water_id) || "unknown"})`,
    sizeOf: (stop) => SIZES[rank(stop)],
    // The strictest are drawn last, on top.
    ordered: (drawn) => [...drawn].sort((a, b) => rank(b) - rank(a)),
    outfallLabel(row) {
      const count = behindOutfall(row.outfall_id).stops.filter((k) => !state.only || state.only.has(stops[k])).length;
      return count ? String(count) : "";
    },
  });
})(window.vaultplan);
