// What was seen, under the filters chosen: shares of dirty looks by hex and by vault.
(function (vp) {
  "use strict";
  const { data, look } = vp;
  const { records, looks } = data;
  const LEAST_LOOKS = 3;
  const filter = { from: records.first_year, to: records.last_year, quarters: [0, 1, 2, 3], kind: "dirty", against: false };
  // Bounds of how many times the fleet's share a hex's is; each has its reciprocal.
  const TIMES = [0.6, 0.75, 0.9, 1.1, 1.33, 1.67];
  const SIGNS = ["−", "−", "−", "", "+", "+", "+"];
  let hexes = [];
  let fleet = { looks: 0, dirty: 0 };
  let seen = [];

  const isIn = (year, quarter) => year >= filter.from && year <= filter.to && filter.quarters.includes(quarter);

  // Shares are drawn toward the fleet's as if so many more looks had been made there.
  function drawnIn(dirty, count, prior) {
    const share = fleet.looks ? fleet.dirty / fleet.looks : 0;
    return (dirty + prior * share) / (count + prior);
  }

  function sumHexes() {
    const least = filter.kind === "heavy" ? 2 : 1;
    fleet = { looks: 0, dirty: 0 };
    hexes = records.hexes.rows.map((rows) => {
      const grades = [0, 0, 0];
      for (let k = 0; k < rows.length; k += 4) {
        if (!isIn(records.first_year + Math.floor(rows[k] / 4), rows[k] % 4)) continue;
        for (let g = 0; g < 3; g += 1) grades[g] += rows[k + 1 + g];
      }
      const count = grades[0] + grades[1] + grades[2];
      const dirty = least === 2 ? grades[2] : grades[1] + grades[2];
      fleet.looks += count;
      fleet.dirty += dirty;
      return { count, dirty, grades };
    });
    for (const hex of hexes) hex.share = hex.count < LEAST_LOOKS ? null : drawnIn(hex.dirty, hex.count, records.prior.hex[filter.kind]);
  }

  // Each vault's graded looks under the filters, and the last of them.
  function sumVaults() {
    const least = filter.kind === "heavy" ? 2 : 1;
    seen = looks.map((codes) => {
      let [day, count, dirty, last] = [0, 0, 0, -1];
      codes.forEach((code, k) => {
        day = k ? day - Math.floor(code / 5) : Math.floor(code / 5);
        const grade = code % 5;
        if (grade > 2) return;
        const on = new Date(day * 864e5);
        if (!isIn(on.getUTCFullYear(), Math.floor(on.getUTCMonth() / 3))) return;
        if (last < 0) last = grade;
        count += 1;
        if (grade >= least) dirty += 1;
      });
      return { count, dirty, last };
    });
  }

  function refilter(changes) {
    Object.assign(filter, changes);
    sumHexes();
    sumVaults();
  }

  const percent = (share) => `${Math.round(100 * share)} %`;

  function hexFill(i) {
    const { share } = hexes[i];
    if (share === null) return null;
    if (filter.against) return look.diverging[step(share)];
    return look.sequential[limits.filter((limit) => 100 * share > limit).length];
  }

  function step(share) {
    const whole = fleet.looks ? fleet.dirty / fleet.looks : 0;
    return TIMES.filter((limit) => share > limit * whole).length;
  }

  function hexSign(i) {
    const { share } = hexes[i];
    return filter.against && share !== null ? SIGNS[step(share)] : "";
  }

  function word() {
    return filter.kind === "heavy" ? "heavy" : "light or heavy";
  }

  function told(place, prior) {
    const { element } = vp;
    if (place.count < LEAST_LOOKS) {
      return [element("p", `${place.count} graded looks under this filter: too few to say.`), element("p", "Not known is not the same as clear.", "note")];
    }
    return [
      element("p", `${vp.number(place.dirty)} of ${vp.number(place.count)} looks were ${word()}: ${percent(place.dirty / place.count)}. The fleet: ${percent(fleet.dirty / fleet.looks)}.`),
      element("p", `Drawn toward the fleet's share as if ${vp.number(Math.round(prior))} more looks had been made: ${percent(drawnIn(place.dirty, place.count, prior))}.`, "note"),
    ];
  }

  function hexStory(i) {
    const { element } = vp;
    const place = records.hexes;
    return [
      element("h2", `${vp.number(place.vaults[i])} vaults`),
      ...told(hexes[i], records.prior.hex[filter.kind]),
      element("p", `Clear ${vp.number(hexes[i].grades[0])}, light ${vp.number(hexes[i].grades[1])}, heavy ${vp.number(hexes[i].grades[2])}. ${vp.number(place.never[i])} of the vaults were never graded.`),
    ];
  }

  // Steps of the colours: a fifth of the hexes or so each, in whole percent, the same under any filter.
  function steps() {
    const known = hexes.filter((hex) => hex.share !== null).map((hex) => 100 * hex.share).sort((a, b) => a - b);
    const found = [];
    for (const part of [0.1, 0.3, 0.5, 0.7, 0.9]) {
      const at = known.length ? Math.round(known[Math.floor(part * (known.length - 1))]) : 0;
      found.push(Math.max(at, (found[found.length - 1] ?? 0) + 1));
    }
    return found;
  }

  refilter({});
  const limits = steps();
  vp.records = { filter, refilter, limits, TIMES, SIGNS, LEAST_LOOKS, word, fleet: () => fleet, percent };
  Object.assign(vp.view, {
    hexes: records.hexes,
    title: "Where dirty water was seen",
    listTitle: "Filter",
    foldLabel: "Filters and legend",
    hasNoDays: true,
    isListFirst: true,
    pointsFrom: data.head.vault_count > 20000 ? 12.5 : 15,
    hasFillClose: true,
    gradeOf: (i) => ["clear", "light", "heavy"][seen[i].last] || "unknown",
    hexFill,
    hexSign,
    hexStory,
    ahead: (i) => [vp.element("h3", "What was seen here"), ...told(seen[i], records.prior.vault[filter.kind])],
  });
})(window.vaultplan);
