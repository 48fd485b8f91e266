// What is drawn where, and what a click there means.
(function (vp) {
  "use strict";
  const { data, look } = vp;
  const map = window.map_week;
  const { ground, vaults, stops, left, routes } = data;
  const { state, view } = vp;
  const { hexes } = view;
  const count = vaults.vault_id.length;
  const ROOM = 1500; // square pixels that a mark needs to stand in full size, where the marks are
  const POINTS_FROM_ZOOM = view.pointsFrom;
  // Part of the sea: where one of them ends and the next begins is no line that anyone could see.
  const OPEN = ["bay", "sea"];
  const shown = {
    clear: true, light: true, heavy: true, unknown: true, stops: true, routes: true, paths: true,
    left: true, outfalls: true, areas: true, concern: true, yards: true, hexes: true, basemap: true,
  };

  const lines = (rows, key) => rows.flatMap((row) => (row[key] || []).map(vp.line));
  const placed = (row) => Object.assign(row, { at: vp.world(row.x, row.y) });
  const inks = {
    land: lines(ground.backdrop.filter((each) => each.kind === "land"), "area"),
    park: lines(ground.backdrop.filter((each) => each.kind === "park"), "area"),
    building: lines(ground.backdrop.filter((each) => each.kind === "building"), "area"),
    water: lines(ground.backdrop.filter((each) => each.kind === "water"), "area"),
    open: lines(ground.waters.filter((water) => OPEN.includes(water.kind)), "area"),
    still: lines(ground.waters.filter((water) => !OPEN.includes(water.kind)), "area"),
    creeks: lines(ground.waters, "line"),
    areas: lines(ground.areas, "area"),
    concern: lines(ground.concern, "area"),
    streets: ground.streets.map((street) => ({ name: street.name || "", lines: street.line.map(vp.line) })),
    routes: routes.map((route) => ({ ...route, lines: route.line.map(vp.line) })),
    paths: new Map(Object.entries(data.paths).map(([i, path]) => [Number(i), path.map(vp.line)])),
    hexes: hexes ? hexes.ring.map(vp.line) : [],
    below: new Map(Object.entries(ground.below).map(([id, way]) => [id, way.map(vp.line)])),
  };
  const allStreets = inks.streets.flatMap((street) => street.lines);
  for (const rows of [stops, left, ground.outfalls, ground.depots, ground.disposal]) rows.forEach(placed);
  const named = (row, name, size, ink, around, isShown) => ({
    name, size, ink, around, isShown,
    at: vp.world(...row.at), rings: (row.area || []).map(vp.line), lines: (row.line || []).map(vp.line),
  });
  const isGuarded = (water) => ["protected", "outstanding"].includes(water.protection);
  const names = [
    ...ground.waters.map((water) => named(water, isGuarded(water) ? `${water.name} (${water.protection})` : water.name, 15, "#0b4a72", "#d3e4ec", () => true)),
    ...ground.areas.filter((area) => area.name).map((area) => named(area, area.name, 14, "#5c3109", "#f7f5f0", () => shown.areas)),
    ...ground.concern.filter((site) => site.name).map((site) => named(site, site.name, 14, "#5c3109", "#f7f5f0", () => shown.concern)),
    ...ground.backdrop.filter((each) => each.kind === "park" && each.name).map((park) => named(park, park.name, 14, "#4c5a3a", "#f7f5f0", () => true)),
  ];
  const at = new Float64Array(2 * count);
  const grades = new Array(count);
  for (let i = 0; i < count; i += 1) {
    const [x, y] = vp.world(vaults.x[i], vaults.y[i]);
    at[2 * i] = x;
    at[2 * i + 1] = y;
  }

  function regrade() {
    for (let i = 0; i < count; i += 1) grades[i] = view.gradeOf(i);
  }
  regrade();
  const hatched = { areas: vp.hatch("#8a5a24", false), concern: vp.hatch("#6b3a0a", true) };

  function paintGround(ink) {
    const { zoom } = ink;
    if (!(data.basemap && shown.basemap)) paintOwnGround(ink);
    if (shown.areas) {
      vp.fill(ink, inks.areas, { fillStyle: hatched.areas, strokeStyle: "#8a5a24", lineWidth: 1.3, dash: [7, 4] });
    }
    if (shown.concern) {
      vp.fill(ink, inks.concern, { fillStyle: hatched.concern, strokeStyle: "#6b3a0a", lineWidth: 1.3, dash: [2, 4] });
    }
    if (zoom >= 15.5) vp.nameLines(ink, inks.streets.filter((street) => street.name), laidOut(ink));
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

  // Where the names go, given the marks of the week and the caution at the corner of the view.
  function laidOut(ink) {
    const { scale, origin, zoom } = ink;
    if (zoom < 11) return [];
    const corner = map.containerPointToLayerPoint([0, 0]);
    const size = map.getSize();
    const seen = {
      west: (corner.x + origin.x) / scale, east: (corner.x + size.x + origin.x) / scale,
      north: (corner.y + origin.y) / scale, south: (corner.y + size.y + origin.y) / scale,
    };
    const marks = [];
    const mark = (world, r) => marks.push({ x: world[0] * scale - origin.x, y: world[1] * scale - origin.y, r });
    const big = radius(zoom) + 5;
    if (shown.stops) for (const stop of stops.filter((each) => isOnDay(each) && isOfTrip(each))) mark(stop.at, big);
    if (shown.left && !state.trip && !state.only) for (const row of left) mark(row.at, big);
    if (shown.outfalls) for (const row of ground.outfalls) mark(row.at, 8);
    if (shown.yards) for (const row of [...ground.depots, ...ground.disposal]) mark(row.at, 11);
    if (zoom >= POINTS_FROM_ZOOM) {
      for (let i = 0; i < count; i += 1) {
        if (shown[grades[i]]) mark([at[2 * i], at[2 * i + 1]], radius(zoom));
      }
    }
    if (zoom < POINTS_FROM_ZOOM && shown.hexes) {
      for (const hex of inks.hexes) mark([(hex.west + hex.east) / 2, (hex.north + hex.south) / 2], 0.45 * (hex.east - hex.west) * scale);
    }
    return vp.layOut({ ...ink, seen }, names.filter((each) => each.isShown()), marks, closed(corner));
  }

  // Boxes of the view that the page itself covers.
  function closed(corner) {
    const frame = map.getContainer().getBoundingClientRect();
    return [...map.getContainer().querySelectorAll(".leaflet-control")].map((control) => {
      const box = control.getBoundingClientRect();
      return {
        x: (box.left + box.right) / 2 - frame.left + corner.x, y: (box.top + box.bottom) / 2 - frame.top + corner.y,
        rx: box.width / 2, ry: box.height / 2,
      };
    });
  }

  function paintNames(ink) {
    state.names = laidOut(ink);
    vp.write(ink, state.names);
  }

  function radius(zoom) {
    return zoom < 12.5 ? 1.6 : zoom < 13.5 ? 2 : zoom < 14 ? 2.6 : zoom < 14.5 ? 3.4 : zoom < 15.5 ? 4.8 : zoom < 17 ? 6.5 : 9;
  }

  function paintVaults(ink) {
    const { context, zoom, scale, origin, dense } = ink;
    if (hexes && shown.hexes) {
      const isClose = zoom >= POINTS_FROM_ZOOM;
      context.save();
      if (isClose && view.hasFillClose) context.globalAlpha = 0.55;
      if (isClose && !view.hasFillClose) vp.stroke(ink, inks.hexes, { strokeStyle: "#a39d90", lineWidth: 1 });
      else inks.hexes.forEach((ring, i) => vp.fill(ink, [ring], { fillStyle: view.hexFill(i), strokeStyle: "#5f594e", lineWidth: 0.6 }));
      context.restore();
    }
    if (zoom < POINTS_FROM_ZOOM) return;
    const r = radius(zoom);
    const half = Math.ceil(1.3 * r + 2);
    for (const grade of look.order) {
      if (!shown[grade]) continue;
      const sprite = document.createElement("canvas");
      sprite.width = sprite.height = 2 * half * dense;
      const pen = sprite.getContext("2d");
      pen.scale(dense, dense);
      vp.mark(pen, grade, half, half, r);
      for (let i = 0; i < count; i += 1) {
        if (grades[i] !== grade) continue;
        const wx = at[2 * i];
        const wy = at[2 * i + 1];
        if (wx < ink.west || wx > ink.east || wy < ink.north || wy > ink.south) continue;
        context.drawImage(sprite, wx * scale - origin.x - half, wy * scale - origin.y - half, 2 * half, 2 * half);
      }
    }
  }

  const isOnDay = (row) => state.day < 0 || row.day === state.day;
  const isOfTrip = (row) => (
    (!state.trip || (row.truck_id === state.trip.truck_id && row.day === state.trip.day))
    && (!state.only || state.only.has(row))
  );

  function paintWeek(ink) {
    const { context, scale, origin } = ink;
    const spot = (world) => [world[0] * scale - origin.x, world[1] * scale - origin.y];
    state.hits = [];
    const todays = stops.filter((stop) => isOnDay(stop) && isOfTrip(stop));
    const kept = shown.left && !state.trip ? left.filter((row) => !state.only || state.only.has(row)) : [];
    const isRoomy = hasRoom(ink, [...todays, ...kept]);
    if (shown.paths) {
      const drained = todays.filter((stop) => stop.kind === "pump_out" && inks.paths.has(stop.vault));
      vp.stroke(ink, drained.flatMap((stop) => inks.paths.get(stop.vault)), {
        strokeStyle: look.diverging[0], lineWidth: state.only ? 3 : 1.8, dash: state.only ? [] : [2, 5],
      });
      if (state.only) {
        const ends = new Set(drained.map((stop) => vp.word("outfall_id", stop.vault)));
        for (const end of ends) paintBelow(ink, end);
      }
    }
    if (shown.routes) {
      for (const route of inks.routes.filter((each) => isOnDay(each) && isOfTrip(each))) {
        context.save();
        context.globalAlpha = state.trip || state.day >= 0 ? 0.8 : 0.42;
        const lineWidth = isRoomy ? 3 : 1.8;
        vp.stroke(ink, route.lines, route.kind === "vacuum"
          ? { strokeStyle: look.diverging[6], lineWidth, dash: [9, 6] }
          : { strokeStyle: look.sequential[4], lineWidth });
        context.restore();
      }
    }
    if (state.vault >= 0) paintPath(ink, state.vault, spot);
    if (shown.yards) {
      for (const [rows, isDisposal] of [[ground.depots, false], [ground.disposal, true]]) {
        for (const row of rows) {
          const [x, y] = spot(row.at);
          vp.yard(context, x, y, isDisposal);
          state.hits.push({ x, y, r: 13, open: () => vp.tellYard(row, isDisposal) });
        }
      }
    }
    if (shown.outfalls) {
      for (const row of ground.outfalls) {
        const [x, y] = spot(row.at);
        vp.outfall(context, x, y, isRoomy ? 1 : 0.65);
        state.hits.push({ x, y, r: 10, open: () => vp.tellOutfall(row) });
      }
    }
    if (kept.length) {
      const taken = [];
      for (const row of kept) {
        const [x, y] = spot(row.at);
        const isSmall = !isRoomy
          || taken.some((other) => Math.abs(other[0] - x) < 17 && Math.abs(other[1] - y) < 17);
        if (!isSmall) taken.push([x, y]);
        vp.plate(context, row.outcome, x, y, isSmall);
        state.hits.push({ x, y, r: isSmall ? 8 : 13, open: () => vp.openVault(row.vault) });
      }
    }
    if (shown.stops) paintStops(context, todays.filter((stop) => stop.kind !== "dump"), spot, isRoomy);
    if (state.vault >= 0) {
      const [x, y] = spot([at[2 * state.vault], at[2 * state.vault + 1]]);
      context.save();
      context.lineWidth = 3;
      context.strokeStyle = look.outline;
      context.beginPath();
      context.arc(x, y, 22, 0, 2 * Math.PI);
      context.stroke();
      context.restore();
    }
  }

  // Whether marks may stand in full size: judged by the ground they share, not by the empty sea.
  function hasRoom(ink, rows) {
    const seen = rows.filter((row) => (
      row.at[0] > ink.west && row.at[0] < ink.east && row.at[1] > ink.north && row.at[1] < ink.south
    ));
    const span = (k) => {
      const places = seen.map((row) => row.at[k]);
      return (Math.max(...places) - Math.min(...places)) * ink.scale + 60;
    };
    return seen.length < 2 || span(0) * span(1) >= ROOM * seen.length;
  }

  // Over a whole busy week the mark of the method is enough; a number says most within one day.
  // Crowded stops lose their number first.
  function paintStops(context, visible, spot, isRoomy) {
    const isChosen = state.day >= 0 || state.trip || map.getZoom() >= 16;
    const isNumbered = view.hasNumbers && isRoomy && (isChosen || visible.length <= 40);
    const taken = [];
    const beside = new Map();
    const full = [];
    for (const stop of visible) {
      const key = `${stop.x},${stop.y}`;
      const place = beside.get(key) || 0;
      beside.set(key, place + 1);
      const [x, y] = spot(stop.at);
      const drawn = { stop, x: x + 30 * place, y, grade: gradeOfStop(stop) };
      const isCrowded = !isNumbered || taken.some((other) => Math.abs(other.x - drawn.x) < 19 && Math.abs(other.y - y) < 19);
      if (isCrowded) {
        const r = isRoomy ? 7.5 : map.getZoom() < 12.5 ? 3.5 : 5;
        vp.bare(context, drawn.grade, x, y, r);
        state.hits.push({ x, y, r: r + 3, open: () => vp.openVault(stop.vault) });
      } else {
        taken.push(drawn);
        full.push(drawn);
      }
    }
    for (const { stop, x, y, grade } of full.reverse()) {
      vp.numbered(context, grade, stop.stop_number, x, y, stop.vault === state.vault);
      state.hits.push({ x, y, r: 15, open: () => vp.openVault(stop.vault) });
    }
  }

  function gradeOfStop(stop) {
    if (stop.kind === "vacuum") return "heavy";
    return stop.kind === "work" ? "" : look.method_grades[stop.method] || "";
  }

  // From the outfall on the water finds its own way: drawn as far as the waters' shapes tell.
  function paintBelow(ink, outfall) {
    const way = inks.below.get(outfall);
    if (!way) return;
    vp.stroke(ink, way, { strokeStyle: "#fbfaf6", lineWidth: 7 });
    vp.stroke(ink, way, { strokeStyle: look.diverging[0], lineWidth: 3.5, dash: [1, 8] });
  }

  function paintPath(ink, i, spot) {
    const path = inks.paths.get(i);
    if (!path) return;
    paintBelow(ink, vp.word("outfall_id", i));
    vp.stroke(ink, path, { strokeStyle: "#fbfaf6", lineWidth: 8 });
    vp.stroke(ink, path, { strokeStyle: look.diverging[0], lineWidth: 4 });
    const { context } = ink;
    for (const shape of path) {
      let since = 30;
      for (let k = 2; k < shape.at.length; k += 2) {
        const [ax, ay] = spot([shape.at[k - 2], shape.at[k - 1]]);
        const [bx, by] = spot([shape.at[k], shape.at[k + 1]]);
        const length = Math.hypot(bx - ax, by - ay);
        for (let along = 60 - since; along < length; along += 60) {
          arrow(context, ax + ((bx - ax) * along) / length, ay + ((by - ay) * along) / length, Math.atan2(by - ay, bx - ax));
        }
        since = (since + length) % 60;
      }
    }
  }

  function arrow(context, x, y, turned) {
    context.save();
    context.translate(x, y);
    context.rotate(turned);
    context.beginPath();
    context.moveTo(8, 0);
    context.lineTo(-5, -7);
    context.lineTo(-5, 7);
    context.closePath();
    context.fillStyle = look.diverging[0];
    context.strokeStyle = "#fbfaf6";
    context.lineWidth = 1.5;
    context.fill();
    context.stroke();
    context.restore();
  }

  function pane(name, level) {
    map.createPane(name).style.zIndex = level;
    map.getPane(name).dataset.layer = name;
    return name;
  }

  const canvases = {
    ground: new vp.Canvas(paintGround, { pane: pane("ground", 210), padding: 0.15 }),
    vaults: new vp.Canvas(paintVaults, { pane: pane("vaults", 420), padding: 0.15 }),
    week: new vp.Canvas(paintWeek, { pane: pane("week", 430), padding: 0.15 }),
    names: new vp.Canvas(paintNames, { pane: pane("names", 440), padding: 0.15 }),
  };

  // Names make room for whatever else is drawn, so they are always drawn again.
  function repaint(...layers) {
    for (const layer of layers.length ? layers : Object.keys(canvases)) canvases[layer].redraw();
    if (layers.length) canvases.names.redraw();
  }

  function clickAt(place) {
    const point = map.latLngToLayerPoint(place);
    for (let k = state.hits.length - 1; k >= 0; k -= 1) {
      const hit = state.hits[k];
      if (Math.hypot(hit.x - point.x, hit.y - point.y) <= hit.r) return hit.open;
    }
    const zoom = map.getZoom();
    const scale = 2 ** zoom;
    const origin = map.getPixelOrigin();
    const reach = L.Browser.mobile ? 20 : 11;
    let [best, nearest] = [-1, reach];
    if (zoom >= POINTS_FROM_ZOOM) {
      for (let i = 0; i < count; i += 1) {
        const away = Math.hypot(at[2 * i] * scale - origin.x - point.x, at[2 * i + 1] * scale - origin.y - point.y);
        if (away <= nearest && shown[grades[i]]) [best, nearest] = [i, away];
      }
    }
    if (best >= 0) return () => vp.openVault(best);
    const hex = hexes && shown.hexes ? hexAt((point.x + origin.x) / scale, (point.y + origin.y) / scale) : -1;
    return hex >= 0 ? () => vp.open(view.hexStory(hex)) : null;
  }

  function hexAt(wx, wy) {
    return inks.hexes.findIndex((ring) => (
      wx >= ring.west && wx <= ring.east && wy >= ring.north && wy <= ring.south && vp.isInside([ring], wx, wy)
    ));
  }

  function extent() {
    const rows = [...stops, ...left];
    const [xs, ys] = rows.length ? [rows.map((row) => row.x), rows.map((row) => row.y)] : [vaults.x, vaults.y];
    const ends = [Infinity, Infinity, -Infinity, -Infinity];
    for (let i = 0; i < xs.length; i += 1) {
      ends[0] = Math.min(ends[0], xs[i]);
      ends[1] = Math.min(ends[1], ys[i]);
      ends[2] = Math.max(ends[2], xs[i]);
      ends[3] = Math.max(ends[3], ys[i]);
    }
    if (!xs.length) return L.latLngBounds([vp.latLng(0, 0), vp.latLng(1e4, 1e4)]);
    return L.latLngBounds(vp.latLng(ends[0], ends[1]), vp.latLng(ends[2], ends[3]));
  }

  Object.assign(vp, {
    shown, grades, regrade, hatched, canvases, repaint, clickAt, extent, hasLand: inks.land.length > 0,
  });
})(window.vaultplan);
