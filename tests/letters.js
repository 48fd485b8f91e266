// What tests ask a page about its letters; runs before the page's own scripts.
window.letters = {
  // Opens what is folded away, so that all letters are seen.
  unfold() {
    for (const each of document.querySelectorAll("details")) each.open = true;
    const button = document.getElementById("unfold");
    if (button && button.checkVisibility()) button.click();
  },

  // Letters in HTML and in drawings: words, colour, and the box of the page they show in.
  listed() {
    const found = [];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) {
      const node = walk.currentNode;
      const holder = node.parentElement;
      if (!node.data.trim() || holder.closest("script, style, title, desc, defs")) continue;
      if (!holder.checkVisibility({ opacityProperty: true, visibilityProperty: true })) continue;
      const { fill, color } = getComputedStyle(holder);
      const ink = holder.namespaceURI.endsWith("svg") ? fill : color;
      const range = document.createRange();
      range.selectNodeContents(node);
      for (const each of range.getClientRects()) {
        const box = this.inView(holder, [each.left, each.top, each.right, each.bottom]);
        const isSeen = box[2] - box[0] > 2 && box[3] - box[1] > 2;
        if (isSeen) found.push({ words: node.data.trim(), ink, box });
      }
    }
    return found;
  },

  inView(holder, box) {
    let [left, top, right, bottom] = box;
    for (let at = holder; at && at !== document.body; at = at.parentElement) {
      const isCut = getComputedStyle(at).overflow !== "visible";
      if (!isCut || at.namespaceURI.endsWith("svg")) continue;
      const edge = at.getBoundingClientRect();
      [left, top] = [Math.max(left, edge.left), Math.max(top, edge.top)];
      [right, bottom] = [Math.min(right, edge.right), Math.min(bottom, edge.bottom)];
    }
    return [left + scrollX, top + scrollY, right + scrollX, bottom + scrollY].map(Math.round);
  },

  // Keeps what is written on canvases: words, colour, and the pixels under and close around them.
  keep() {
    const write = CanvasRenderingContext2D.prototype.fillText;
    const written = [];
    this.written = written;
    CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
      const turn = this.getTransform();
      const spot = turn.transformPoint(new DOMPoint(x, y));
      const reach = this.measureText(text).width + 40;
      const size = Math.ceil(2 * reach * Math.hypot(turn.a, turn.b));
      const [left, top] = [Math.round(spot.x - size / 2), Math.round(spot.y - size / 2)];
      const mask = new OffscreenCanvas(size, size).getContext("2d");
      mask.setTransform(turn.a, turn.b, turn.c, turn.d, turn.e - left, turn.f - top);
      for (const name of ["font", "textAlign", "textBaseline"]) mask[name] = this[name];
      mask.lineWidth = 2;
      mask.strokeText(text, x, y);
      mask.fillText(text, x, y);
      const shape = mask.getImageData(0, 0, size, size).data;
      const under = this.getImageData(left, top, size, size).data;
      const ground = new Map();
      for (let at = 0; at < shape.length; at += 4) {
        const [px, py] = [left + ((at / 4) % size), top + Math.floor(at / 4 / size)];
        const isOn = px >= 0 && py >= 0 && px < this.canvas.width && py < this.canvas.height;
        if (shape[at + 3] < 128 || !isOn) continue;
        const key = under.slice(at, at + 4).join();
        ground.set(key, (ground.get(key) || 0) + 1);
      }
      const counted = [...ground].map(([key, count]) => [key.split(",").map(Number), count]);
      if (counted.length) written.push({ words: String(text), ink: this.fillStyle, ground: counted });
      return write.call(this, text, x, y);
    };
  },
};
