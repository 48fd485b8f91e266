// Glyphs, decoded places and the canvases they are drawn on.
window.vaultplan = (function () {
  "use strict";
  // A map's start.js has read its data already; other pages that draw have theirs in the page.
  const data = window.vaultplan_data || JSON.parse(document.getElementById("vaultplan-data").textContent);
  const look = data.look;
  const [lon0, lat0, step] = data.grid;

  // World pixels of Leaflet's zoom 0: a place is projected once and only scaled afterwards.
  function world(x, y) {
    const point = L.CRS.EPSG3857.latLngToPoint(L.latLng(lat0 + y * step, lon0 + x * step), 0);
    return [point.x, point.y];
  }

  function latLng(x, y) {
    return L.latLng(lat0 + y * step, lon0 + x * step);
  }

  function line(steps) {
    const at = new Float64Array(steps.length);
    let x = 0;
    let y = 0;
    let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let i = 0; i < steps.length; i += 2) {
      x += steps[i];
      y += steps[i + 1];
      const [wx, wy] = world(x, y);
      at[i] = wx;
      at[i + 1] = wy;
      west = Math.min(west, wx);
      east = Math.max(east, wx);
      north = Math.min(north, wy);
      south = Math.max(south, wy);
    }
    return { at, west, north, east, south };
  }

  // Paper shows more than a screen does.
  function density() {
    const least = document.body.classList.contains("printing") ? 3 : 1;
    return Math.max(least, window.devicePixelRatio || 1);
  }

  // A canvas that moves and zooms with the map; paint(ink) draws it anew.
  const Canvas = L.Renderer.extend({
    initialize(paint, options) {
      L.Renderer.prototype.initialize.call(this, options);
      this._paint = paint;
    },
    _initContainer() {
      this._container = document.createElement("canvas");
      this._context = this._container.getContext("2d");
    },
    _destroyContainer() {
      this._container.remove();
      delete this._container;
    },
    _update() {
      if (this._map._animatingZoom && this._bounds) return;
      L.Renderer.prototype._update.call(this);
      const bounds = this._bounds;
      const size = bounds.getSize();
      const dense = density();
      const canvas = this._container;
      L.DomUtil.setPosition(canvas, bounds.min);
      canvas.width = Math.round(dense * size.x);
      canvas.height = Math.round(dense * size.y);
      canvas.style.width = `${size.x}px`;
      canvas.style.height = `${size.y}px`;
      const context = this._context;
      context.setTransform(dense, 0, 0, dense, -dense * bounds.min.x, -dense * bounds.min.y);
      const zoom = this._map.getZoom();
      const scale = 2 ** zoom;
      const origin = this._map.getPixelOrigin();
      this._paint({
        context, zoom, scale, origin, dense,
        west: (bounds.min.x + origin.x) / scale, east: (bounds.max.x + origin.x) / scale,
        north: (bounds.min.y + origin.y) / scale, south: (bounds.max.y + origin.y) / scale,
      });
      this.fire("update");
    },
    _updatePaths() {},
    settle() {
      const { width, height } = this._container;
      const pixels = this._context.getImageData(0, 0, width, height);
      this._container.width = width;
      this._container.height = height;
      this._context.putImageData(pixels, 0, 0);
    },
    redraw() {
      if (this._map && this._container) this._update();
    },
  });

  function isNear(ink, shape) {
    return shape.west < ink.east && shape.east > ink.west
      && shape.north < ink.south && shape.south > ink.north;
  }

  function trace(ink, shape) {
    const { context, scale, origin } = ink;
    const at = shape.at;
    context.moveTo(at[0] * scale - origin.x, at[1] * scale - origin.y);
    for (let i = 2; i < at.length; i += 2) {
      context.lineTo(at[i] * scale - origin.x, at[i + 1] * scale - origin.y);
    }
  }

  function stroke(ink, shapes, style) {
    const { context } = ink;
    context.save();
    Object.assign(context, { lineJoin: "round", lineCap: "round" }, style);
    context.setLineDash(style.dash || []);
    context.beginPath();
    for (const shape of shapes) if (isNear(ink, shape)) trace(ink, shape);
    context.stroke();
    context.restore();
  }

  function fill(ink, rings, style) {
    const { context } = ink;
    const near = rings.filter((ring) => isNear(ink, ring));
    if (!near.length) return;
    context.save();
    context.beginPath();
    for (const ring of near) trace(ink, ring);
    context.fillStyle = style.fillStyle;
    context.fill("evenodd");
    context.restore();
    if (style.strokeStyle) stroke(ink, near, style);
  }

  function glyph(context, shape, x, y, r) {
    context.beginPath();
    if (shape === "circle") {
      context.arc(x, y, r, 0, 2 * Math.PI);
    } else if (shape === "square") {
      context.rect(x - 0.88 * r, y - 0.88 * r, 1.76 * r, 1.76 * r);
    } else if (shape === "triangle") {
      context.moveTo(x, y - 1.2 * r);
      context.lineTo(x + 1.12 * r, y + 0.8 * r);
      context.lineTo(x - 1.12 * r, y + 0.8 * r);
      context.closePath();
    } else {
      context.moveTo(x, y - 1.2 * r);
      context.lineTo(x + 1.2 * r, y);
      context.lineTo(x, y + 1.2 * r);
      context.lineTo(x - 1.2 * r, y);
      context.closePath();
    }
  }

  function mark(context, grade, x, y, r) {
    glyph(context, look.glyphs[grade], x, y, r);
    context.fillStyle = look.colours[grade];
    context.fill();
    context.lineWidth = r > 5 ? 1.4 : r > 3 ? 0.9 : 0.5;
    context.strokeStyle = look.outline;
    context.stroke();
  }

  // A stop: its number inside the mark of the method; work after a vacuum truck is plain white.
  function numbered(context, grade, number, x, y, isStrong) {
    const shape = grade ? look.glyphs[grade] : "circle";
    const r = shape === "triangle" ? 17 : shape === "square" ? 14.5 : 13;
    glyph(context, shape, x, y, r);
    context.fillStyle = grade ? look.colours[grade] : "#ffffff";
    context.lineWidth = isStrong ? 6 : 4;
    context.strokeStyle = isStrong ? look.outline : "#fbfaf6";
    context.stroke();
    context.fill();
    context.lineWidth = 1.6;
    context.strokeStyle = look.outline;
    context.stroke();
    context.fillStyle = grade === "light" || grade === "heavy" ? "#ffffff" : look.outline;
    context.font = "700 14px 'Noto Sans', 'Segoe UI', Arial, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillText(String(number), x, y + (shape === "triangle" ? 4 : 1));
  }

  // A stop without room for its number: larger than a vault and set off from it.
  function bare(context, grade, x, y, r) {
    glyph(context, grade ? look.glyphs[grade] : "circle", x, y, r);
    context.lineWidth = r > 6 ? 4.5 : 2.5;
    context.strokeStyle = "#fbfaf6";
    context.stroke();
    context.fillStyle = grade ? look.colours[grade] : "#ffffff";
    context.fill();
    context.lineWidth = r > 6 ? 1.4 : 0.9;
    context.strokeStyle = look.outline;
    context.stroke();
  }

  const LETTERS = { held: "H", referred: "R", not_scheduled: "N", not_possible: "X" };

  // An order left out: a white plate with a letter and a double edge; without room, a bare one.
  function plate(context, outcome, x, y, isSmall) {
    context.fillStyle = "#ffffff";
    context.strokeStyle = look.outline;
    if (isSmall) {
      context.lineWidth = 1;
      context.fillRect(x - 5, y - 5, 10, 10);
      context.strokeRect(x - 5, y - 5, 10, 10);
      context.strokeRect(x - 2.5, y - 2.5, 5, 5);
      return;
    }
    context.lineWidth = 1.2;
    context.fillRect(x - 11, y - 11, 22, 22);
    context.strokeRect(x - 11, y - 11, 22, 22);
    context.strokeRect(x - 8.5, y - 8.5, 17, 17);
    context.fillStyle = look.outline;
    context.font = "700 14px 'Noto Sans', 'Segoe UI', Arial, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillText(LETTERS[outcome], x, y + 1);
  }

  function outfall(context, x, y, size) {
    context.beginPath();
    context.moveTo(x - 7 * size, y - 5 * size);
    context.lineTo(x + 7 * size, y - 5 * size);
    context.lineTo(x, y + 8 * size);
    context.closePath();
    context.fillStyle = look.diverging[0];
    context.fill();
    context.lineWidth = 1.4;
    context.strokeStyle = "#fbfaf6";
    context.stroke();
  }

  function yard(context, x, y, isDisposal) {
    context.fillStyle = isDisposal ? look.diverging[6] : "#ffffff";
    context.strokeStyle = look.outline;
    context.lineWidth = 1.6;
    context.beginPath();
    context.moveTo(x - 10, y + 9);
    context.lineTo(x - 10, y - 3);
    context.lineTo(x, y - 11);
    context.lineTo(x + 10, y - 3);
    context.lineTo(x + 10, y + 9);
    context.closePath();
    context.fill();
    context.stroke();
  }

  function hatch(colour, isDotted) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 8;
    const context = tile.getContext("2d");
    context.strokeStyle = context.fillStyle = colour;
    if (isDotted) {
      context.fillRect(1, 1, 2, 2);
      context.fillRect(5, 5, 2, 2);
    } else {
      context.lineWidth = 1.1;
      context.beginPath();
      for (const at of [-8, 0, 8]) {
        context.moveTo(at, 8);
        context.lineTo(at + 8, 0);
      }
      context.stroke();
    }
    return context.createPattern(tile, "repeat");
  }

  return {
    data, look, world, latLng, line, Canvas, isNear, stroke, fill, glyph, mark, numbered, bare, plate,
    outfall, yard, hatch, LETTERS,
  };
})();
