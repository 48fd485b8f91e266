// What lies under every map: land, waters, streets, areas; and which layers are shown.
(function (vp) {
  "use strict";
  const { data, view } = vp;
  const { ground, stops, left, routes } = data;
  // Part of the sea: where one of them ends and the next begins is no line that anyone could see.
  const OPEN = ["bay", "sea"];
  const EDGE = "#0b4a72";
  const shown = {
    clear: true, light: true, heavy: true, unknown: true, stops: true, routes: true, paths: true,
    storm_drain: true, filter_sock: true, vacuum_truck: true, work: true, left: true, outfalls: true,
    areas: true, concern: true, yards: true, hexes: true, unknown_hexes: true, basemap: true,
  };

  const isOpen = (water) => OPEN.includes(water.kind);
  const lines = (rows, key) => rows.flatMap((row) => (row[key] || []).map(vp.line));
  const outlines = (rows, key) => rows.map((row) => ({ row, rings: (row[key] || []).map(vp.line) })).filter((each) => each.rings.length);
  const placed = (row) => Object.assign(row, { at: vp.world(row.x, row.y) });
  const guarded = ground.waters.filter((water) => view.isGuarded(water) && !isOpen(water));
  const inks = {
    land: lines(ground.backdrop.filter((each) => each.kind === "land"), "area"),
    park: lines(ground.backdrop.filter((each) => each.kind === "park"), "area"),
    building: lines(ground.backdrop.filter((each) => each.kind === "building"), "area"),
    water: lines(ground.backdrop.filter((each) => each.kind === "water"), "area"),
    open: lines(ground.waters.filter(isOpen), "area"),
    still: lines(ground.waters.filter((water) => !isOpen(water)), "area"),
    creeks: lines(ground.waters, "line"),
    guardedCreeks: lines(guarded, "line"),
    guardedAreas: lines(guarded, "area"),
    areas: lines(ground.areas, "area"),
    concern: lines(ground.concern, "area"),
    streets: ground.streets.map((street) => ({ name: street.name || "", lines: street.line.map(vp.line) })),
    routes: routes.map((route) => ({ ...route, lines: route.line.map(vp.line) })),
    paths: new Map(Object.entries(data.paths).map(([i, path]) => [Number(i), path.map(vp.line)])),
    hexes: view.hexes ? view.hexes.ring.map(vp.line) : [],
    below: new Map(Object.entries(ground.below).map(([id, way]) => [id, way.map(vp.line)])),
    // What a click may fall into, smallest things first.
    places: [
      ...outlines(ground.concern, "area").map((each) => ({ ...each, kind: "concern" })),
      ...outlines(ground.areas, "area").map((each) => ({ ...each, kind: "areas" })),
      ...outlines(ground.waters, "line").map((each) => ({ ...each, kind: "creek" })),
      ...outlines(ground.waters.filter((water) => !isOpen(water)), "area").map((each) => ({ ...each, kind: "water" })),
      ...outlines(ground.waters.filter(isOpen), "area").map((each) => ({ ...each, kind: "open" })),
    ],
  };
  const allStreets = inks.streets.flatMap((street) => street.lines);
  for (const rows of [stops, left, ground.outfalls, ground.depots, ground.disposal]) rows.forEach(placed);
  const named = (row, name, size, ink, around, isShown) => ({
    name, size, ink, around, isShown,
    at: vp.world(...row.at), rings: (row.area || []).map(vp.line), lines: (row.line || []).map(vp.line),
  });
  const names = [
    ...ground.waters.map((water) => named(water, view.waterName(water), 15, EDGE, "#d3e4ec", () => true)),
    ...ground.areas.filter((area) => area.name).map((area) => named(area, area.name, 14, "#5c3109", "#f7f5f0", () => shown.areas)),
    ...ground.concern.filter((site) => site.name).map((site) => named(site, site.name, 14, "#5c3109", "#f7f5f0", () => shown.concern)),
    ...ground.backdrop.filter((each) => each.kind === "park" && each.name).map((park) => named(park, park.name, 14, "#4c5a3a", "#f7f5f0", () => true)),
  ];
  const hatched = { areas: vp.hatch("#8a5a24", false), concern: vp.hatch("#6b3a0a", true), unknown: vp.hatch("#57524a", true) };

  function paintGround(ink) {
    if (!(data.basemap && shown.basemap)) paintOwnGround(ink);
    const wide = ink.zoom > 14 ? 9 : 6;
    vp.stroke(ink, inks.guardedCreeks, { strokeStyle: EDGE, lineWidth: wide });
    vp.stroke(ink, inks.guardedCreeks, { strokeStyle: "#bcd6e2", lineWidth: wide - 4 });
    vp.stroke(ink, inks.guardedAreas, { strokeStyle: EDGE, lineWidth: 2.4 });
    if (shown.areas) {
      vp.fill(ink, inks.areas, { fillStyle: hatched.areas, strokeStyle: "#8a5a24", lineWidth: 1.3, dash: [7, 4] });
    }
    if (shown.concern) {
      vp.fill(ink, inks.concern, { fillStyle: hatched.concern, strokeStyle: "#6b3a0a", lineWidth: 1.3, dash: [2, 4] });
    }
    if (ink.zoom >= 15.5) vp.nameLines(ink, inks.streets.filter((street) => street.name), vp.laidOut(ink));
  }

  function paintOwnGround(ink) {
    const { zoom } = ink;
    const hasLand = inks.land.length > 0;
    vp.fill(ink, inks.land, { fillStyle: "#f7f5f0" });
    vp.fill(ink, inks.park, { fillStyle: "#e4e9dc" });
    vp.fill(ink, inks.building, { fillStyle: "#e6e2d9" });
    vp.fill(ink, inks.water, { fillStyle: "#d3e4ec" });
    for (const ring of inks.open) vp.fill(ink, [ring], { fillStyle: "#d3e4ec" });
    vp.fill(ink, inks.still, { fillStyle: "#d3e4ec", strokeStyle: "#a9c3d0", lineWidth: 0.8 });
    vp.stroke(ink, inks.creeks, { strokeStyle: "#8fb3c6", lineWidth: zoom > 14 ? 5 : 3 });
    const wide = Math.max(0.8, Math.min(9, 0.75 * 1.55 ** (zoom - 12)));
    vp.stroke(ink, allStreets, { strokeStyle: hasLand || zoom > 11 ? "#d2ccbe" : "#ddd8cc", lineWidth: wide + 1.2 });
    if (wide > 2.5) vp.stroke(ink, allStreets, { strokeStyle: "#fffefb", lineWidth: wide - 0.6 });
  }

  Object.assign(vp, { shown, inks, names, hatched, paintGround, hasLand: inks.land.length > 0 });
})(window.vaultplan);
