// One picture in a pane, in tiles that are fetched as they come into view.
//
// Frames: frame px have their left edge at 0; the sheet shows the whole frame, fitted into
// the pane and turned by quarters; the stage carries the view (see glass.js). A tile's scale
// is tile px a frame px. Coarser tiles stay below finer ones, so that nothing goes blank.
const TILE = 512;
// The coarsest level is one tile of this side, so that the first view seldom needs another.
const FIRST_TILE = 768;
const MOST_TILES = 56;
const REST_MS = 50;

class Layer {
  constructor() {
    this.sheet = el("div", { class: "sheet" });
    this.stage = el("div", { class: "stage" }, this.sheet);
    this.box = el("div", { class: "layer" }, this.stage);
    this.tiles = new Map();
    this.source = null;
  }

  // source: { key, width, height, levels, url: (level, column, row) => address, tile? }
  show(source) {
    if (this.source?.key === source?.key) return;
    this.clear();
    this.source = source;
  }

  clear() {
    clearTimeout(this.timer);
    this.tiles.forEach((tile) => tile.img.remove());
    this.tiles.clear();
    this.source = null;
  }

  fitted(width, height, turn) {
    if (!this.source || !width || !height) return null;
    const [w, h] = turn % 2 ? [this.source.height, this.source.width] : [this.source.width, this.source.height];
    const scale = Math.min(width / w, height / h);
    return { width: this.source.width * scale, height: this.source.height * scale, scale };
  }

  place(width, height, seen, turn) {
    const fitted = this.fitted(width, height, turn);
    if (!fitted) return;
    Object.assign(this, { width, height, seen, turn, scale: fitted.scale });
    this.stage.style.transform = `translate(${seen.tx * width}px, ${seen.ty * height}px) scale(${seen.s})`;
    this.sheet.style.width = `${fitted.width}px`;
    this.sheet.style.height = `${fitted.height}px`;
    this.sheet.style.transform = `translate(-50%, -50%) rotate(${turn * 90}deg)`;
    this.sheet.classList.toggle("pixels", fitted.scale * seen.s > 3 * Math.max(...this.source.levels));
    this.want();
  }

  // Pane px to frame px, and back.
  toFrame(x, y) {
    const across = (x - this.seen.tx * this.width) / this.seen.s - this.width / 2;
    const down = (y - this.seen.ty * this.height) / this.seen.s - this.height / 2;
    const [u, v] = [[across, down], [down, -across], [-across, -down], [-down, across]][this.turn];
    return { x: u / this.scale + this.source.width / 2, y: v / this.scale + this.source.height / 2 };
  }

  toPane(x, y) {
    const u = (x - this.source.width / 2) * this.scale;
    const v = (y - this.source.height / 2) * this.scale;
    const [across, down] = [[u, v], [-v, u], [-u, -v], [v, -u]][this.turn];
    return {
      x: (across + this.width / 2) * this.seen.s + this.seen.tx * this.width,
      y: (down + this.height / 2) * this.seen.s + this.seen.ty * this.height,
    };
  }

  // Pane px a frame px.
  get magnification() {
    return this.scale * this.seen.s;
  }

  visible() {
    const corners = [[0, 0], [this.width, 0], [this.width, this.height], [0, this.height]].map(([x, y]) => this.toFrame(x, y));
    const [xs, ys] = [corners.map((corner) => corner.x), corners.map((corner) => corner.y)];
    return { left: Math.min(...xs), right: Math.max(...xs), top: Math.min(...ys), bottom: Math.max(...ys) };
  }

  // The whole picture's coarsest tile comes at once, the rest when the hand rests.
  want() {
    if (!this.tiles.size) this.fetch(0, this.visible());
    this.box.dataset.ready = "false";
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.refine(), REST_MS);
  }

  refine() {
    if (!this.source || !this.width || !this.box.isConnected || this.box.hidden) return;
    const density = Math.min(window.devicePixelRatio, 2);
    const { levels } = this.source;
    const enough = levels.findIndex((level) => level >= 0.95 * this.magnification * density);
    this.level = enough < 0 ? levels.length - 1 : enough;
    const view = this.visible();
    this.fetch(this.level, view);
    this.drop(view);
    this.tell();
  }

  fetch(level, view) {
    const scale = this.source.levels[level];
    const across = this.source.tile ?? (level ? TILE : FIRST_TILE);
    const side = across / scale;
    const count = (length) => Math.max(1, Math.ceil((length * scale - 1e-6) / across));
    const [columns, rows] = [count(this.source.width), count(this.source.height)];
    const first = (edge) => Math.max(0, Math.floor(edge / side));
    const last = (edge, most) => Math.min(most - 1, Math.floor(edge / side));
    const wanted = [];
    for (let row = first(view.top); row <= last(view.bottom, rows); row += 1)
      for (let column = first(view.left); column <= last(view.right, columns); column += 1) wanted.push([column, row]);
    const middle = [(view.left + view.right) / 2 / side - 0.5, (view.top + view.bottom) / 2 / side - 0.5];
    const far = ([column, row]) => Math.hypot(column - middle[0], row - middle[1]);
    wanted.sort((one, other) => far(one) - far(other)).forEach(([column, row]) => this.tile(level, column, row, side, scale));
  }

  tile(level, column, row, side, scale) {
    const key = `${level}/${column}/${row}`;
    if (this.tiles.has(key)) return;
    const { width, height } = this.source;
    const wide = Math.min(side, Math.ceil(width * scale) / scale - column * side);
    const tall = Math.min(side, Math.ceil(height * scale) / scale - row * side);
    const img = el("img", { alt: "", draggable: "false", decoding: "async" });
    Object.assign(img.style, {
      left: `${(100 * column * side) / width}%`,
      top: `${(100 * row * side) / height}%`,
      width: `${(100 * wide) / width}%`,
      height: `${(100 * tall) / height}%`,
      zIndex: level,
    });
    const tile = { img, level, column, row, side, loaded: false };
    img.addEventListener("load", () => {
      tile.loaded = true;
      this.tell();
    });
    img.addEventListener("error", () => {
      tile.loaded = true;
      this.sheet.dispatchEvent(new CustomEvent("gone", { bubbles: true }));
    });
    img.src = this.source.url(level, column, row);
    this.tiles.set(key, tile);
    this.sheet.append(img);
  }

  drop(view) {
    const inView = ({ side, column, row }) =>
      (column + 1) * side > view.left - side && column * side < view.right + side && (row + 1) * side > view.top - side && row * side < view.bottom + side;
    for (const [key, tile] of this.tiles) {
      const spare = tile.level > 0 && (tile.level > this.level || (!inView(tile) && this.tiles.size > MOST_TILES) || (!tile.loaded && tile.level !== this.level));
      if (!spare) continue;
      tile.img.src = "";
      tile.img.remove();
      this.tiles.delete(key);
    }
  }

  // Tests and benchmarks wait for this.
  tell() {
    const ready = this.tiles.size > 0 && [...this.tiles.values()].every((tile) => tile.loaded || tile.level !== this.level);
    this.box.dataset.ready = String(ready && this.level !== undefined);
  }
}
