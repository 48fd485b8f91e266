// The margin beside the map: head, days, search, legend, stops; and what answers to click and key.
(function (vp) {
  "use strict";
  const { data, element, state, canvases, repaint } = vp;
  const map = window.map_week;
  const { vaults } = data;
  const { view } = vp;
  const count = vaults.vault_id.length;
  const byId = (id) => document.getElementById(id);

  function open(parts, isMoving = true) {
    const story = byId("story");
    const back = element("button", "Close", "back");
    back.type = "button";
    back.addEventListener("click", close);
    story.replaceChildren(back, ...parts.filter(Boolean));
    story.hidden = false;
    if (!isMoving) return;
    unfold(true);
    story.scrollIntoView({ block: "start" });
    story.focus({ preventScroll: true });
  }

  function close() {
    byId("story").hidden = true;
    state.vault = -1;
    if (state.only) view.showAll();
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
    if (view.tellOutfall) view.tellOutfall(row);
    else open(vp.placeStory(row.name || row.outfall_id, [`Outfall ${row.outfall_id}`, row.water ? `Runs into ${row.water}.` : "Its water is not known."]));
  }

  function tellPlace(place) {
    if (view.tellPlace) view.tellPlace(place);
    else open(vp.placeStory(place.row.name || vp.PLACES[place.kind], [vp.placeWords(place.row, place.kind)]));
  }

  function tellYard(row, isDisposal) {
    open(vp.placeStory(row.name || "Yard", [isDisposal ? `Takes vacuum trucks' loads, ${row.open_from} to ${row.open_to}.` : "Trucks start and end here."]));
  }

  function unfold(isOpen) {
    document.body.classList.toggle("unfolded", isOpen);
    byId("unfold").setAttribute("aria-expanded", String(isOpen));
    byId("unfold").textContent = isOpen ? "Back to the map" : view.foldLabel;
  }

  function fillHead() {
    const head = data.head;
    byId("owner").textContent = head.utility;
    byId("week").textContent = view.title;
    byId("list-title").textContent = view.listTitle;
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
    byId("days").hidden = Boolean(view.hasNoDays);
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
    view.dayChanged();
    repaint("week");
  }

  function mirrorDay() {
    [...byId("days").children].forEach((button, place) => button.setAttribute("aria-pressed", String(place - 1 === state.day)));
    for (const trip of document.querySelectorAll(".trip")) {
      trip.hidden = state.day >= 0 && Number(trip.dataset.day) !== state.day;
    }
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
      found.append(element("p", data.head.vault_count > count ? "Not among the vaults listed in this file; see the layers of the plan." : "No vault has this id or address."));
    }
    return hits;
  }

  Object.assign(vp, { open, openVault, tellOutfall, tellPlace, tellYard });
  byId("unfold").textContent = view.foldLabel;
  fillHead();
  fillDays();
  if (view.isListFirst) byId("fold").insertBefore(byId("trips"), byId("legend"));
  view.fillLegend();
  view.fillList();
  mirrorDay();
  map.getContainer().setAttribute("aria-label", `Map: ${view.title}`);
  map.getContainer().setAttribute("role", "main");
  map.getContainer().classList.toggle("onland", !vp.hasLand);
  const edge = map.getSize().x < 600 ? 14 : 40;
  map.fitBounds(vp.extent(), { paddingTopLeft: [edge, 40], paddingBottomRight: [edge, 90], maxZoom: 17, animate: false });
  if (data.basemap) {
    L.tileLayer(data.basemap.url, { maxZoom: 20, pane: "tilePane" }).addTo(map);
    L.control.attribution({ prefix: false }).addAttribution(vp.plain(data.basemap.attribution)).addTo(map);
  }
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
