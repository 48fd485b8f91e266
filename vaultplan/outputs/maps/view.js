// What differs by audience. The week's own are the defaults; watch.js and dirty.js put theirs here,
// what paints needs at once stands in watched.js and records.js, which are read before it.
(function (vp) {
  "use strict";
  const { data, look } = vp;
  const ramp = { dirty: [15, 30, 45, 60, 75], gal: data.hexes ? quantiles(data.hexes.gal) : [] };

  function quantiles(values) {
    const sorted = [...values].sort((a, b) => a - b);
    return [1, 2, 3, 4, 5].map((part) => sorted[Math.floor((part * (sorted.length - 1)) / 6)]);
  }

  vp.state = { day: -1, trip: null, only: null, vault: -1, hexColour: "dirty", hits: [], names: [] };
  vp.ramp = ramp;
  vp.view = {
    hexes: data.hexes,
    pointsFrom: data.hexes ? 12.5 : 0,
    hasFillClose: false,
    hasNumbers: true,
    gradeOf: vp.gradeOf,
    hexFill(i) {
      const value = data.hexes[vp.state.hexColour][i];
      if (value === null) return null;
      return look.sequential[ramp[vp.state.hexColour].filter((limit) => value > limit).length];
    },
    hexSign: () => "",
    hexStory: (i) => vp.hexStory(data.hexes, i),
    ahead: () => [],
    outfallLabel: () => "",
    ordered: (stops) => stops,
    sizeOf: () => 1,
    isGuarded: () => false,
    isSeaTold: false,
    waterName: (water) => (
      ["protected", "outstanding"].includes(water.protection) ? `${water.name} (${water.protection})` : water.name
    ),
    dayChanged() {},
    foldLabel: "Legend and list",
  };
})(window.vaultplan);
