// The layers drawn over the ground, where names go, and what a click means.
(function (vp) {
  "use strict";
  const { data, look, state, view, shown, inks, names } = vp;
  const map = window.map_week;
  const { ground, vaults, stops, left } = data;
  const { hexes } = view;
  const count = vaults.vault_id.length;
  const POINTS_FROM_ZOOM = view.pointsFrom;
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
    if (shown.stops) for (const stop of stops.filter(vp.isDrawn)) mark(stop.at, big);
    if (shown.left) for (const row of left.filter(vp.isKept)) mark(row.at, big);
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

  const isHexShown = (i) => (view.hexFill(i) === null ? shown.unknown_hexes : shown.hexes);

  // Where nobody looked, or too seldom, a hex is white and dotted.
  function paintHex(ink, ring, i) {
    if (!isHexShown(i)) return;
    const edge = { strokeStyle: "#5f594e", lineWidth: 0.6 };
    const colour = view.hexFill(i);
    vp.fill(ink, [ring], { fillStyle: colour || "#ffffff", ...edge });
    if (!colour) vp.fill(ink, [ring], { fillStyle: vp.hatched.unknown });
    const sign = view.hexSign(i);
    const wide = (ring.east - ring.west) * ink.scale;
    if (!sign || wide < 22) return;
    const middle = [(ring.west + ring.east) / 2, (ring.north + ring.south) / 2];
    vp.label(ink.context, sign, middle[0] * ink.scale - ink.origin.x - 4, middle[1] * ink.scale - ink.origin.y);
  }

  function paintVaults(ink) {
    const { context, zoom, scale, origin, dense } = ink;
    if (hexes && (shown.hexes || shown.unknown_hexes)) {
      const isClose = zoom >= POINTS_FROM_ZOOM;
      context.save();
      if (isClose && view.hasFillClose) context.globalAlpha = 0.55;
      if (isClose && !view.hasFillClose) vp.stroke(ink, inks.hexes, { strokeStyle: "#a39d90", lineWidth: 1 });
      else inks.hexes.forEach((ring, i) => paintHex(ink, ring, i));
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

  function pane(name, level) {
    map.createPane(name).style.zIndex = level;
    map.getPane(name).dataset.layer = name;
    return name;
  }

  const canvases = {
    ground: new vp.Canvas(vp.paintGround, { pane: pane("ground", 210), padding: 0.15 }),
    vaults: new vp.Canvas(paintVaults, { pane: pane("vaults", 420), padding: 0.15 }),
    week: new vp.Canvas(vp.paintWeek, { pane: pane("week", 430), padding: 0.15 }),
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
    const [wx, wy] = [(point.x + origin.x) / scale, (point.y + origin.y) / scale];
    const hex = hexes ? hexAt(wx, wy) : -1;
    if (hex >= 0 && isHexShown(hex)) return () => vp.open(view.hexStory(hex));
    const under = placeAt(wx, wy, reach / scale);
    return under ? () => vp.tellPlace(under) : null;
  }

  // An area, creek or water under the pointer; the open sea only where it has something to tell.
  function placeAt(wx, wy, reach) {
    return inks.places.find(({ kind, rings }) => {
      if (shown[kind] === false || (kind === "open" && !view.isSeaTold)) return false;
      return kind === "creek" ? vp.isAlong(rings, wx, wy, reach) : vp.isInside(rings, wx, wy);
    });
  }

  function hexAt(wx, wy) {
    return inks.hexes.findIndex((ring) => (
      wx >= ring.west && wx <= ring.east && wy >= ring.north && wy <= ring.south && vp.isInside([ring], wx, wy)
    ));
  }

  function extent() {
    const week = [...stops, ...left];
    const corners = hexes ? hexes.ring.map(([x, y]) => ({ x, y })) : [];
    const rows = week.length ? week : corners;
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

  Object.assign(vp, { grades, regrade, laidOut, canvases, repaint, clickAt, extent });
})(window.vaultplan);
