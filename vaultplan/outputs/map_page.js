// The page itself: what is drawn where, and what answers to click, key and search.
(function (vp) {
  "use strict";
  const { data, look, element } = vp;
  const map = window.map_week;
  const { ground, vaults, stops, left, routes, hexes } = data;
  const byId = (id) => document.getElementById(id);
  const count = vaults.vault_id.length;
  const POINTS_FROM_ZOOM = hexes ? 12.5 : 0;
  const shown = {
    clear: true, light: true, heavy: true, unknown: true, stops: true, routes: true, paths: true,
    left: true, outfalls: true, areas: true, concern: true, yards: true, hexes: true,
  };
  const state = { day: -1, trip: null, vault: -1, hexColour: "dirty", hits: [] };

  const lines = (rows, key) => rows.flatMap((row) => (row[key] || []).map(vp.line));
  const placed = (row) => Object.assign(row, { at: vp.world(row.x, row.y) });
  const inks = {
    land: lines(ground.backdrop.filter((each) => each.kind === "land"), "area"),
    park: lines(ground.backdrop.filter((each) => each.kind === "park"), "area"),
    building: lines(ground.backdrop.filter((each) => each.kind === "building"), "area"),
    water: lines(ground.backdrop.filter((each) => each.kind === "water"), "area")
      .concat(lines(ground.waters, "area")),
    creeks: lines(ground.waters, "line"),
    areas: lines(ground.areas, "area"),
    concern: lines(ground.concern, "area"),
    streets: ground.streets.map((street) => ({ name: street.name || "", lines: street.line.map(vp.line) })),
    routes: routes.map((route) => ({ ...route, lines: route.line.map(vp.line) })),
    paths: new Map(Object.entries(data.paths).map(([i, path]) => [Number(i), path.map(vp.line)])),
    hexes: hexes ? hexes.ring.map(vp.line) : [],
  };
  const allStreets = inks.streets.flatMap((street) => street.lines);
  for (const rows of [stops, left, ground.outfalls, ground.depots, ground.disposal]) rows.forEach(placed);
  const labels = ground.waters.map((water) => ({
    name: water.name + (["protected", "outstanding"].includes(water.protection) ? ` (${water.protection})` : ""),
    at: vp.world(...water.at), ink: "#0b4a72", around: "#d3e4ec", font: "italic 15px Charter, Georgia, 'Noto Serif', serif",
  })).concat([...ground.areas, ...ground.concern].filter((area) => area.name).map((area) => ({
    name: area.name, at: vp.world(...area.at), ink: "#5c3109", around: "#f7f5f0",
    font: "italic 14px Charter, Georgia, 'Noto Serif', serif",
  })), ground.backdrop.filter((park) => park.name).map((park) => ({
    name: park.name, at: vp.world(...park.at), ink: "#4c5a3a", around: "#f7f5f0",
    font: "italic 14px Charter, Georgia, 'Noto Serif', serif",
  })));
  const at = new Float64Array(2 * count);
  const grades = new Array(count);
  for (let i = 0; i < count; i += 1) {
    const [x, y] = vp.world(vaults.x[i], vaults.y[i]);
    at[2 * i] = x;
    at[2 * i + 1] = y;
    grades[i] = vp.gradeOf(i);
  }
  const hatched = { areas: vp.hatch("#8a5a24", false), concern: vp.hatch("#6b3a0a", true) };

  function paintGround(ink) {
    const { context, zoom, scale, origin } = ink;
    const hasLand = inks.land.length > 0;
    vp.fill(ink, inks.land, { fillStyle: "#f7f5f0", strokeStyle: "#b9b3a5", lineWidth: 1 });
    vp.fill(ink, inks.park, { fillStyle: "#e4e9dc" });
    vp.fill(ink, inks.building, { fillStyle: "#e6e2d9" });
    vp.fill(ink, inks.water, { fillStyle: "#d3e4ec", strokeStyle: "#7f9fb0", lineWidth: 1 });
    vp.stroke(ink, inks.creeks, { strokeStyle: "#8fb3c6", lineWidth: zoom > 14 ? 5 : 3 });
    const wide = Math.max(0.8, Math.min(9, 0.75 * 1.55 ** (zoom - 12)));
    vp.stroke(ink, allStreets, { strokeStyle: hasLand || zoom > 11 ? "#d2ccbe" : "#ddd8cc", lineWidth: wide + 1.2 });
    if (wide > 2.5) vp.stroke(ink, allStreets, { strokeStyle: "#fffefb", lineWidth: wide - 0.6 });
    if (shown.areas) {
      vp.fill(ink, inks.areas, { fillStyle: hatched.areas, strokeStyle: "#8a5a24", lineWidth: 1.3, dash: [7, 4] });
    }
    if (shown.concern) {
      vp.fill(ink, inks.concern, { fillStyle: hatched.concern, strokeStyle: "#6b3a0a", lineWidth: 1.3, dash: [2, 4] });
    }
    const taken = [];
    context.save();
    context.textAlign = "center";
    context.textBaseline = "middle";
    if (zoom >= 11.5) {
      for (const label of labels) {
        const x = label.at[0] * scale - origin.x;
        const y = label.at[1] * scale - origin.y;
        context.font = label.font;
        const reach = context.measureText(label.name).width / 2 + 6;
        if (taken.some((box) => Math.abs(box.x - x) < box.rx + reach && Math.abs(box.y - y) < box.ry + 10)) continue;
        taken.push({ x, y, rx: reach, ry: 10 });
        context.save();
        context.translate(x, y);
        vp.halo(context, label.name, label.around, label.ink);
        context.restore();
      }
    }
    context.restore();
    if (zoom >= 15.5) vp.nameLines(ink, inks.streets.filter((street) => street.name), taken);
  }

  const ramp = { dirty: [15, 30, 45, 60, 75], gal: hexes ? quantiles(hexes.gal) : [] };

  function quantiles(values) {
    const sorted = [...values].sort((a, b) => a - b);
    return [1, 2, 3, 4, 5].map((part) => sorted[Math.floor((part * (sorted.length - 1)) / 6)]);
  }

  function hexFill(i) {
    const value = hexes[state.hexColour][i];
    if (value === null) return "#ffffff";
    return look.sequential[ramp[state.hexColour].filter((limit) => value > limit).length];
  }

  function paintVaults(ink) {
    const { context, zoom, scale, origin } = ink;
    if (hexes && shown.hexes) {
      const isClose = zoom >= POINTS_FROM_ZOOM;
      if (isClose) vp.stroke(ink, inks.hexes, { strokeStyle: "#a39d90", lineWidth: 1 });
      else inks.hexes.forEach((ring, i) => vp.fill(ink, [ring], { fillStyle: hexFill(i), strokeStyle: "#5f594e", lineWidth: 0.6 }));
    }
    if (zoom < POINTS_FROM_ZOOM) return;
    const r = zoom < 12 ? 2.6 : zoom < 13.5 ? 3.6 : zoom < 15 ? 5 : zoom < 17 ? 6.5 : 9;
    const dense = window.devicePixelRatio || 1;
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
  const isOfTrip = (row) => !state.trip || (row.truck_id === state.trip.truck_id && row.day === state.trip.day);

  function paintWeek(ink) {
    const { context, scale, origin } = ink;
    const spot = (world) => [world[0] * scale - origin.x, world[1] * scale - origin.y];
    state.hits = [];
    const todays = stops.filter((stop) => isOnDay(stop) && isOfTrip(stop));
    if (shown.paths) {
      const drained = todays.filter((stop) => stop.kind === "pump_out" && inks.paths.has(stop.vault));
      vp.stroke(ink, drained.flatMap((stop) => inks.paths.get(stop.vault)), {
        strokeStyle: look.diverging[0], lineWidth: 1.8, dash: [2, 5],
      });
    }
    if (shown.routes) {
      for (const route of inks.routes.filter((each) => isOnDay(each) && isOfTrip(each))) {
        context.save();
        context.globalAlpha = state.trip || state.day >= 0 ? 0.8 : 0.42;
        vp.stroke(ink, route.lines, route.kind === "vacuum"
          ? { strokeStyle: look.diverging[6], lineWidth: 3, dash: [9, 6] }
          : { strokeStyle: look.sequential[4], lineWidth: 3 });
        context.restore();
      }
    }
    if (state.vault >= 0) paintPath(ink, state.vault, spot);
    if (shown.yards) {
      for (const [rows, isDisposal] of [[ground.depots, false], [ground.disposal, true]]) {
        for (const row of rows) {
          const [x, y] = spot(row.at);
          vp.yard(context, x, y, isDisposal);
          state.hits.push({ x, y, r: 13, open: () => tellYard(row, isDisposal) });
        }
      }
    }
    if (shown.outfalls) {
      for (const row of ground.outfalls) {
        const [x, y] = spot(row.at);
        vp.outfall(context, x, y);
        state.hits.push({ x, y, r: 10, open: () => tellOutfall(row) });
      }
    }
    if (shown.left && !state.trip) {
      for (const row of left) {
        const [x, y] = spot(row.at);
        vp.plate(context, row.outcome, x, y);
        state.hits.push({ x, y, r: 13, open: () => openVault(row.vault) });
      }
    }
    if (shown.stops) paintStops(context, todays.filter((stop) => stop.kind !== "dump"), spot);
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

  // Over a whole busy week the mark of the method is enough; a number says most within one day.
  // Crowded stops lose their number first.
  function paintStops(context, visible, spot) {
    const isNumbered = state.day >= 0 || state.trip || visible.length <= 40 || map.getZoom() >= 16;
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
        vp.bare(context, drawn.grade, x, y);
        state.hits.push({ x, y, r: 11, open: () => openVault(stop.vault) });
      } else {
        taken.push(drawn);
        full.push(drawn);
      }
    }
    for (const { stop, x, y, grade } of full.reverse()) {
      vp.numbered(context, grade, stop.stop_number, x, y, stop.vault === state.vault);
      state.hits.push({ x, y, r: 15, open: () => openVault(stop.vault) });
    }
  }

  function gradeOfStop(stop) {
    if (stop.kind === "vacuum") return "heavy";
    return stop.kind === "work" ? "" : look.method_grades[stop.method] || "";
  }

  function paintPath(ink, i, spot) {
    const path = inks.paths.get(i);
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

  function pane(name, level) {
    map.createPane(name).style.zIndex = level;
    map.getPane(name).dataset.layer = name;
    return name;
  }

  const canvases = {
    ground: new vp.Canvas(paintGround, { pane: pane("ground", 210), padding: 0.15 }),
    vaults: new vp.Canvas(paintVaults, { pane: pane("vaults", 420), padding: 0.15 }),
    week: new vp.Canvas(paintWeek, { pane: pane("week", 430), padding: 0.15 }),
  };

  function repaint(...names) {
    for (const name of names.length ? names : Object.keys(canvases)) canvases[name].redraw();
  }

  // ---- the margin ----

  function open(parts) {
    const story = byId("story");
    const back = element("button", "Close", "back");
    back.type = "button";
    back.addEventListener("click", close);
    story.replaceChildren(back, ...parts.filter(Boolean));
    story.hidden = false;
    unfold(true);
    story.scrollIntoView({ block: "start" });
    story.focus({ preventScroll: true });
  }

  function close() {
    byId("story").hidden = true;
    state.vault = -1;
    repaint("week");
  }

  function openVault(i, isMoving) {
    if (i === undefined || i === null || i < 0) return;
    state.vault = i;
    open(vp.vaultStory(i));
    const place = vp.latLng(vaults.x[i], vaults.y[i]);
    map.invalidateSize({ animate: false, pan: false });
    if (isMoving) map.setView(place, Math.max(map.getZoom(), 16), { animate: false });
    else map.panInside(place, { padding: [60, 60], animate: false });
    repaint("week");
  }

  function tellOutfall(row) {
    open(vp.placeStory(row.name || row.outfall_id, [`Outfall ${row.outfall_id}`, row.water ? `Runs into ${row.water}.` : "Its water is not known."]));
  }

  function tellYard(row, isDisposal) {
    open(vp.placeStory(row.name || "Yard", [isDisposal ? `Takes vacuum trucks' loads, ${row.open_from} to ${row.open_to}.` : "Trucks start and end here."]));
  }

  function unfold(isOpen) {
    document.body.classList.toggle("unfolded", isOpen);
    byId("unfold").setAttribute("aria-expanded", String(isOpen));
    byId("unfold").textContent = isOpen ? "Back to the map" : "Legend and stops";
  }

  function fillHead() {
    const head = data.head;
    byId("owner").textContent = head.utility;
    byId("week").textContent = head.week;
    byId("known").textContent = `Knows results until ${head.as_of}. Made ${head.made}.`;
    if (!head.is_checked) {
      byId("rejected").textContent = `This plan is ${head.state || "not checked"}: do not work from it.`;
      byId("rejected").hidden = false;
    }
    byId("cautions").append(...head.cautions.map((text) => element("li", text)));
    const versions = `Plan ${head.plan}, rules ${head.rules || "not stated"}, settings ${head.settings || "not stated"}.`;
    byId("sources").textContent = `${head.contact ? `${head.contact}. ` : ""}${versions} ${head.sources}`;
  }

  function fillDays() {
    const all = [{ label: "Whole week" }, ...data.head.days];
    all.forEach((day, place) => {
      const button = element("button", day.label);
      button.type = "button";
      button.addEventListener("click", () => showDay(place - 1));
      byId("days").append(button);
    });
  }

  function showDay(day) {
    state.day = day;
    state.trip = null;
    mirrorDay();
    repaint("week");
  }

  function mirrorDay() {
    [...byId("days").children].forEach((button, place) => button.setAttribute("aria-pressed", String(place - 1 === state.day)));
    for (const trip of document.querySelectorAll(".trip")) {
      trip.hidden = state.day >= 0 && Number(trip.dataset.day) !== state.day;
    }
  }

  function entry(key, label, draw, names) {
    const row = element("label", undefined, draw ? "entry" : "entry head");
    const box = element("input");
    box.type = "checkbox";
    box.checked = true;
    box.dataset.layer = key;
    box.addEventListener("change", () => {
      shown[key] = box.checked;
      repaint(...names);
    });
    vp.add(byId("legend"), vp.add(row, box, draw && vp.swatch(32, 30, draw), element("span", label)));
  }

  function still(label, draw) {
    const row = element("div", undefined, "entry still");
    byId("legend").append(vp.add(row, vp.swatch(32, 30, draw), element("span", label, "note")));
  }

  function stripe(style) {
    return (context, x, y) => {
      Object.assign(context, style);
      context.setLineDash(style.dash || []);
      context.beginPath();
      context.moveTo(x - 14, y);
      context.lineTo(x + 14, y);
      context.stroke();
    };
  }

  function patch(pattern, edge) {
    return (context, x, y) => {
      context.fillStyle = pattern;
      context.strokeStyle = edge;
      context.fillRect(x - 13, y - 9, 26, 18);
      context.strokeRect(x - 13, y - 9, 26, 18);
    };
  }

  function group(text) {
    byId("legend").append(element("p", text, "group"));
  }

  function fillLegend() {
    const counts = {};
    for (const grade of grades) counts[grade] = (counts[grade] || 0) + 1;
    entry("stops", "Planned stops, in driving order", null, ["week"]);
    for (const [method, grade] of Object.entries(look.method_grades)) {
      still(vp.METHODS[method], (context, x, y) => vp.numbered(context, grade, 1, x, y));
    }
    still("Work only: emptied before", (context, x, y) => vp.numbered(context, "", 2, x, y));
    entry("routes", "Routes of the trucks", null, ["week"]);
    still("Crew", stripe({ strokeStyle: look.sequential[4], lineWidth: 3 }));
    still("Vacuum truck", stripe({ strokeStyle: look.diverging[6], lineWidth: 3, dash: [9, 6] }));
    entry("paths", "Where pumped water runs", stripe({ strokeStyle: look.diverging[0], lineWidth: 1.8, dash: [2, 5] }), ["week"]);
    const outcomes = Object.keys(vp.OUTCOMES).filter((outcome) => left.some((row) => row.outcome === outcome));
    entry("left", `Orders left out (${vp.number(left.length)})`, null, ["week"]);
    for (const outcome of outcomes) {
      still(vp.OUTCOMES[outcome], (context, x, y) => vp.plate(context, outcome, x, y));
    }
    group(`Vaults, likeliest look of the water on ${data.head.forecast_day}`);
    for (const grade of [...look.order].reverse()) {
      entry(grade, `${grade} (${vp.number(counts[grade] || 0)})`, (context, x, y) => vp.mark(context, grade, x, y, 7), ["vaults"]);
    }
    if (hexes) fillHexLegend();
    group("Ground and waters");
    entry("outfalls", "Outfalls", (context, x, y) => vp.outfall(context, x, y), ["week"]);
    entry("areas", "Sensitive areas", patch(hatched.areas, "#8a5a24"), ["ground"]);
    entry("concern", "Ground of concern", patch(hatched.concern, "#6b3a0a"), ["ground"]);
    entry("yards", "Yards", (context, x, y) => vp.yard(context, x, y, false), ["week"]);
    still("Disposal sites", (context, x, y) => vp.yard(context, x, y, true));
    still("Receiving waters", patch("#d3e4ec", "#7f9fb0"));
  }

  function fillHexLegend() {
    group(`All ${vp.number(data.head.vault_count)} vaults, counted in hexes; points from closer in`);
    entry("hexes", "Hexes", (context, x, y) => {
      vp.glyph(context, "diamond", x, y, 9);
      context.fillStyle = look.sequential[2];
      context.fill();
      context.stroke();
    }, ["vaults"]);
    const choice = element("div", undefined, "days");
    const scale = element("div", undefined, "ramp");
    const show = (key) => {
      state.hexColour = key;
      [...choice.children].forEach((button) => button.setAttribute("aria-pressed", String(button.dataset.key === key)));
      const limits = [0, ...ramp[key]];
      scale.replaceChildren(...look.sequential.map((colour) => {
        const piece = element("span");
        piece.style.background = colour;
        return piece;
      }), ...limits.map((limit) => element("b", key === "dirty" ? `${limit} %` : short(limit))));
      repaint("vaults");
    };
    for (const [key, label] of [["dirty", "Chance of dirty water"], ["gal", "Expected gallons"]]) {
      const button = element("button", label, "plain");
      button.type = "button";
      button.dataset.key = key;
      button.addEventListener("click", () => show(key));
      choice.append(button);
    }
    byId("legend").append(choice, scale);
    show("dirty");
  }

  function short(value) {
    return value >= 1000 ? `${vp.number(Math.round(value / 1000))}k` : vp.number(value);
  }

  function fillTrips() {
    for (const route of routes) {
      const trip = element("details", undefined, "trip");
      trip.dataset.day = route.day;
      const told = [`${vp.number(route.stop_count ?? 0)} stops`];
      if (route.miles !== undefined) told.push(`${route.miles} mi`);
      const summary = vp.add(element("summary"), element("strong", `${data.head.days[route.day].label}, ${route.truck_id}`), element("span", told.join(", "), "note"));
      trip.append(summary);
      const mine = stops.filter((stop) => stop.truck_id === route.truck_id && stop.day === route.day);
      for (const stop of mine) trip.append(stopButton(stop));
      trip.addEventListener("toggle", () => {
        if (trip.open) {
          for (const other of document.querySelectorAll(".trip[open]")) if (other !== trip) other.open = false;
          state.trip = route;
        } else if (state.trip === route) {
          state.trip = null;
        }
        repaint("week");
      });
      byId("trips").append(trip);
    }
    if (!routes.length) byId("trips").append(element("p", "No truck has a route.", "note"));
  }

  function stopButton(stop) {
    const button = element("button", undefined, "stop");
    button.type = "button";
    const what = element("span");
    const name = stop.vault === undefined ? stop.site_name || "Disposal site" : vaults.vault_id[stop.vault];
    vp.add(what, element("span", `${stop.arrive} ${name}`), element("br"), element("span", `${vp.KINDS[stop.kind]}${stop.load ? `, ${vp.number(stop.load)} gal` : ""}`, "note"));
    vp.add(button, element("span", stop.stop_number, "number"), what);
    button.addEventListener("click", () => {
      if (stop.vault === undefined) map.setView(vp.latLng(stop.x, stop.y), 16, { animate: false });
      else openVault(stop.vault, true);
    });
    return button;
  }

  function find() {
    const wanted = byId("find-text").value.trim().toLowerCase();
    const found = byId("found");
    found.replaceChildren();
    if (!wanted) return [];
    const hits = [];
    for (const test of [(text) => text.startsWith(wanted), (text) => text.includes(wanted)]) {
      for (let i = 0; i < count && hits.length < 8; i += 1) {
        const isHit = test(vaults.vault_id[i].toLowerCase()) || test(vaults.address[i].toLowerCase());
        if (isHit && !hits.includes(i)) hits.push(i);
      }
    }
    for (const i of hits) {
      const button = element("button");
      button.type = "button";
      vp.add(button, element("strong", vaults.vault_id[i]), element("span", vaults.address[i]));
      button.addEventListener("click", () => openVault(i, true));
      found.append(button);
    }
    if (!hits.length) {
      found.append(element("p", hexes ? "Not among the vaults listed in this file; see the layers of the plan." : "No vault has this id or address."));
    }
    return hits;
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
    if (best >= 0) return () => openVault(best);
    const hex = hexes && shown.hexes ? hexAt((point.x + origin.x) / scale, (point.y + origin.y) / scale) : -1;
    return hex >= 0 ? () => open(vp.hexStory(hexes, hex)) : null;
  }

  function hexAt(wx, wy) {
    return inks.hexes.findIndex((ring) => {
      if (wx < ring.west || wx > ring.east || wy < ring.north || wy > ring.south) return false;
      let isInside = false;
      for (let i = 2; i < ring.at.length; i += 2) {
        const [ax, ay, bx, by] = [ring.at[i - 2], ring.at[i - 1], ring.at[i], ring.at[i + 1]];
        if ((ay > wy) !== (by > wy) && wx < ((bx - ax) * (wy - ay)) / (by - ay) + ax) isInside = !isInside;
      }
      return isInside;
    });
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

  fillHead();
  fillDays();
  fillLegend();
  fillTrips();
  mirrorDay();
  map.getContainer().setAttribute("aria-label", "Map of the week");
  map.getContainer().setAttribute("role", "region");
  map.getContainer().classList.toggle("onland", inks.land.length === 0);
  map.fitBounds(extent(), { paddingTopLeft: [40, 40], paddingBottomRight: [40, 100], maxZoom: 17, animate: false });
  for (const canvas of Object.values(canvases)) canvas.addTo(map);
  L.control.zoom({ position: "topright" }).addTo(map);
  L.control.scale({ position: "topleft", maxWidth: 160 }).addTo(map);
  const strip = L.control({ position: "bottomleft" });
  strip.onAdd = () => vp.add(element("p", undefined, "strip"), ...data.head.cautions.slice(0, 2).map((text) => element("span", `${text} `)));
  strip.addTo(map);
  map.on("click", (event) => {
    const opens = clickAt(event.latlng);
    if (opens) opens();
  });
  map.on("mousemove", (event) => {
    map.getContainer().style.cursor = clickAt(event.latlng) ? "pointer" : "";
  });
  byId("unfold").addEventListener("click", () => unfold(!document.body.classList.contains("unfolded")));
  byId("find-text").addEventListener("input", find);
  byId("find").addEventListener("submit", (event) => {
    event.preventDefault();
    const hits = find();
    if (hits.length) openVault(hits[0], true);
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && !byId("story").hidden) close();
  });
  new ResizeObserver(() => map.invalidateSize({ animate: false, pan: false })).observe(map.getContainer());
  window.addEventListener("beforeprint", () => map.invalidateSize({ animate: false, pan: false }));
  window.addEventListener("afterprint", () => map.invalidateSize({ animate: false, pan: false }));
  requestAnimationFrame(() => document.documentElement.setAttribute("data-ready", "yes"));
})(window.vaultplan);
