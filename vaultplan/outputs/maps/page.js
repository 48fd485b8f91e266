// The margin beside the map: head, days, search, legend, stops; and what answers to click and key.
(function (vp) {
  "use strict";
  const { data, look, element, state, shown, canvases, repaint } = vp;
  const map = window.map_week;
  const { vaults, stops, left, routes, hexes } = data;
  const count = vaults.vault_id.length;
  const byId = (id) => document.getElementById(id);

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
    vp.add(byId("legend"), vp.add(row, box, draw && vp.swatch(40, 30, draw), element("span", label)));
  }

  function still(label, draw, isTall) {
    const row = element("div", undefined, "entry still");
    byId("legend").append(vp.add(row, vp.swatch(40, isTall ? 40 : 30, draw), element("span", label, "note")));
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
    for (const grade of vp.grades) counts[grade] = (counts[grade] || 0) + 1;
    entry("stops", "Planned stops, in driving order", null, ["week"]);
    for (const [method, grade] of Object.entries(look.method_grades)) {
      const low = look.glyphs[grade] === "triangle" ? 3 : 0;
      still(vp.METHODS[method], (context, x, y) => vp.numbered(context, grade, 1, x, y + low), true);
    }
    still("Work only: emptied before", (context, x, y) => vp.numbered(context, "", 2, x, y), true);
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
    entry("outfalls", "Outfalls", (context, x, y) => vp.outfall(context, x, y, 1), ["week"]);
    entry("areas", "Sensitive areas", patch(vp.hatched.areas, "#8a5a24"), ["ground"]);
    entry("concern", "Ground of concern", patch(vp.hatched.concern, "#6b3a0a"), ["ground"]);
    entry("yards", "Yards", (context, x, y) => vp.yard(context, x, y, false), ["week"]);
    still("Disposal sites", (context, x, y) => vp.yard(context, x, y, true));
    still("Receiving waters", patch("#d3e4ec", "#a9c3d0"));
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
      const limits = [0, ...vp.ramp[key]];
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

  Object.assign(vp, { open, openVault, tellOutfall, tellYard });
  fillHead();
  fillDays();
  fillLegend();
  fillTrips();
  mirrorDay();
  map.getContainer().setAttribute("aria-label", "Map of the week");
  map.getContainer().setAttribute("role", "region");
  map.getContainer().classList.toggle("onland", !vp.hasLand);
  const edge = map.getSize().x < 600 ? 14 : 40;
  map.fitBounds(vp.extent(), { paddingTopLeft: [edge, 40], paddingBottomRight: [edge, 90], maxZoom: 17, animate: false });
  L.control.zoom({ position: "topright" }).addTo(map);
  L.control.scale({ position: "topleft", maxWidth: 160 }).addTo(map);
  const strip = L.control({ position: "bottomleft" });
  strip.onAdd = () => vp.add(element("p", undefined, "strip"), ...data.head.cautions.slice(0, 2).map((text) => element("span", `${text} `)));
  strip.addTo(map);
  // After the controls: names keep clear of them.
  for (const canvas of Object.values(canvases)) canvas.addTo(map);
  map.on("click", (event) => {
    const opens = vp.clickAt(event.latlng);
    if (opens) opens();
  });
  map.on("mousemove", (event) => {
    map.getContainer().style.cursor = vp.clickAt(event.latlng) ? "pointer" : "";
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
  let before = null;
  window.addEventListener("beforeprint", () => {
    before = { center: map.getCenter(), zoom: map.getZoom() };
    const bounds = map.getBounds();
    document.body.classList.add("printing");
    map.invalidateSize({ animate: false, pan: false });
    map.fitBounds(bounds, { animate: false });
    // On paper a browser may replay strokes and lose some: hand it finished pixels.
    for (const canvas of Object.values(canvases)) canvas.settle();
  });
  window.addEventListener("afterprint", () => {
    document.body.classList.remove("printing");
    map.invalidateSize({ animate: false, pan: false });
    if (before) map.setView(before.center, before.zoom, { animate: false });
  });
  requestAnimationFrame(() => document.documentElement.setAttribute("data-ready", "yes"));
})(window.vaultplan);
