// The week's own marks: stops, orders kept back, routes, outfalls, yards, and the ways of the water.
(function (vp) {
  "use strict";
  const { data, look, state, view, shown, inks } = vp;
  const map = window.map_week;
  const { ground, vaults, stops, left } = data;
  const ROOM = 1500; // square pixels that a mark needs to stand in full size, where the marks are
  const isOnDay = (row) => state.day < 0 || row.day === state.day;
  const isOfTrip = (row) => (
    (!state.trip || (row.truck_id === state.trip.truck_id && row.day === state.trip.day))
    && (!state.only || state.only.has(row))
  );

  function methodOf(stop) {
    if (stop.kind === "work") return "work";
    return stop.kind === "vacuum" ? "vacuum_truck" : stop.method;
  }

  const isDrawn = (stop) => isOnDay(stop) && isOfTrip(stop) && shown[methodOf(stop)] !== false;
  const isKept = (row) => !state.trip && (!state.only || state.only.has(row));

  function paintWeek(ink) {
    const { context, scale, origin } = ink;
    const spot = (world) => [world[0] * scale - origin.x, world[1] * scale - origin.y];
    state.hits = [];
    const todays = stops.filter(isDrawn);
    const kept = shown.left ? left.filter(isKept) : [];
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
        const told = view.outfallLabel(row);
        vp.outfall(context, x, y, (isRoomy ? 1 : 0.65) * (told ? 1.35 : 1));
        if (told && isRoomy) label(context, told, x + 12, y);
        state.hits.push({ x, y, r: told ? 13 : 10, open: () => vp.tellOutfall(row) });
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
    if (shown.stops) paintStops(context, view.ordered(todays.filter((stop) => stop.kind !== "dump")), spot, isRoomy);
    if (state.vault >= 0) {
      const [x, y] = spot(vp.world(vaults.x[state.vault], vaults.y[state.vault]));
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
        const r = view.sizeOf(stop) * (isRoomy ? 7.5 : map.getZoom() < 12.5 ? 3.5 : 5);
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

  function label(context, text, x, y) {
    context.save();
    context.globalAlpha = 1;
    Object.assign(context, { font: "700 14px 'Noto Sans', 'Segoe UI', Arial, sans-serif", textAlign: "left", textBaseline: "middle" });
    Object.assign(context, { lineWidth: 4, lineJoin: "round", strokeStyle: "#fbfaf6", fillStyle: look.diverging[0] });
    context.strokeText(text, x, y);
    context.fillText(text, x, y);
    context.restore();
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
    paintBelow(ink, vp.word("outfall_id", i));
    if (!path) return;
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

  Object.assign(vp, { isOnDay, isDrawn, isKept, label, paintWeek });
})(window.vaultplan);
