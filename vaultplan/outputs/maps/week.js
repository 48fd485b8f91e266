// The planner's map: legend of the week, trucks and their stops.
(function (vp) {
  "use strict";
  const { data, look, element, state, repaint } = vp;
  const { entry, still, stripe, group, choice, ground } = vp.legend;
  const map = window.map_week;
  const { vaults, stops, left, routes, hexes } = data;
  const byId = (id) => document.getElementById(id);

  function fillLegend() {
    const counts = {};
    for (const grade of vp.grades) counts[grade] = (counts[grade] || 0) + 1;
    entry("stops", "Planned stops, in driving order", null, ["week"]);
    for (const [method, grade] of Object.entries(look.method_grades)) {
      const low = look.glyphs[grade] === "triangle" ? 3 : 0;
      entry(method, vp.METHODS[method], (context, x, y) => vp.numbered(context, grade, 1, x, y + low), ["week"], 40);
    }
    entry("work", "Work only: emptied before", (context, x, y) => vp.numbered(context, "", 2, x, y), ["week"], 40);
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
    ground();
  }

  function fillHexLegend() {
    vp.legend.hexes();
    const scale = element("div");
    const show = (key) => {
      state.hexColour = key;
      const limits = [0, ...vp.ramp[key]].map((limit) => (key === "dirty" ? `${limit} %` : short(limit)));
      scale.replaceChildren(vp.legend.ramp(look.sequential, limits));
      repaint("vaults");
    };
    const options = [["dirty", "Chance of dirty water"], ["gal", "Expected gallons"]];
    byId("legend").append(choice(options, "dirty", show, "Colour of the hexes"), scale);
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
      else vp.openVault(stop.vault, true);
    });
    return button;
  }

  Object.assign(vp.view, { title: data.head.week, listTitle: "Trucks and stops", fillLegend, fillList: fillTrips });
})(window.vaultplan);
