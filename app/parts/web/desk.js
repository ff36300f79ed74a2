// The comparison desk: query and references as photographed, then in one frame.
//
// Python sends the panes and the address of the desk; the desk's own state (what is aligned,
// what was measured) is fetched from there as it gets ready, so that the page never runs
// again for it. While it is made ready, and where it cannot be, pictures show as photographed.
const LAYS = [["beside", "Side by side"], ["swipe", "Swipe"], ["alternate", "Alternate"], ["differences", "Differences"]];
const CHANNELS = [["colour", "Colour"], ["red", "Red"], ["green", "Green"], ["blue", "Blue"], ["grey", "Grey"]];
const RATES = [[1000, "1 a second"], [500, "2 a second"], [2000, "1 in 2 seconds"]];
const halves = (width, height) => {
  const count = Math.max(0, Math.ceil(Math.log2(Math.max(width, height) / FIRST_TILE)));
  return Array.from({ length: count + 1 }, (_, number) => 2 ** (number - count));
};

class Desk extends Glass {
  constructor(root) {
    super(root);
    Object.assign(this, { mode: "photographed", lay: "beside", split: 0.5, strength: 70, map: null, picked: false, rate: 1000, round: "pair", quarter: 0 });
    Object.assign(this, { brightness: 100, contrast: 100, channel: "colour", tape: null, rings: [] });
  }

  build(data) {
    // The page says again what the desk's own state has told already.
    if (this.data && markOf(laidBy(data)) === markOf(laidBy(this.data))) return;
    if (data.base !== this.data?.base) {
      this.state = null;
      this.gone = false;
      Object.assign(this, { mode: "photographed", lay: "beside", chosenMode: false, tape: null, rings: [], quarter: 0, back: null });
      this.opened = new Set();
      this.stop();
      window.dispatchEvent(new CustomEvent("loupebook-desk", { detail: data.base }));
    }
    this.stack ??= this.stackPane();
    super.build(data);
    this.news();
    this.poll();
  }

  // ---------------------------------------------------------------- state from the server

  async poll() {
    const { base } = this.data;
    if (this.polling === base) return;
    this.polling = base;
    await followDesk(base, {
      wanted: () => this.root.isConnected && this.data.base === base,
      enough: (state) => this.panes.every((pane) => pane.data.missing || state.layers[pane.data.layer]),
      onGone: () => this.lost(),
      onState: (state) => {
        this.state = state;
        if (this.data.awaited && state.told) this.receive(state.told);
        else this.news();
      },
    });
    if (this.polling === base) this.polling = null;
  }

  // What comes to an empty desk. Its pictures are on their way while the panes are built.
  receive(told) {
    for (const data of told.panes) if (!data.missing) new Image().src = this.sourceOf({ data }).url(0, 0, 0);
    this.build({ ...this.data, ...told, awaited: false });
  }

  lost() {
    this.gone = true;
    this.news();
  }

  news() {
    if (!this.chosenMode && this.mode === "photographed" && this.alignedOf(this.panes[0]) && this.untouched()) this.mode = "aligned";
    if (!this.alignedOf(this.panes[0])) this.mode = "photographed";
    this.says.textContent = this.standing();
    this.tellMeasures();
    this.paint();
  }

  tellMeasures() {
    const measures = this.state?.measures ?? {};
    const told = JSON.stringify(measures);
    if (told !== this.told) {
      this.told = told;
      this.measuredBox.replaceChildren(...measuredParts(measures, this.data.doubt, this.opened, this.state?.frame, (...at) => this.visit(...at)));
      if (Object.keys(measures).length) this.root.dispatchEvent(new CustomEvent("measured", { bubbles: true }));
    }
    this.offerMaps();
  }

  // What was measured against the reference beside the query.
  measures() {
    const pane = this.panes.find((one) => one.data.key === this.shown);
    return this.state?.measures?.[pane?.data.layer] ?? null;
  }

  untouched() {
    return this.view.s === 1 && this.locked && this.panes.every((pane) => pane.offset === ONE && pane.turn === 0);
  }

  standing() {
    if (this.gone) return this.data.words.gone;
    if (this.data.awaited) return this.data.words.looking;
    const query = this.state?.layers.query;
    if (!query || query.waits) return this.data.words.aligning;
    if (!query.aligned) return `Cannot be aligned: ${query.reason}. The pictures are shown as photographed, and move by the same share of each.`;
    const onto = this.panes.find((pane) => pane.data.layer === this.state.frame.key);
    const beside = this.panes.find((pane) => pane.data.key === this.shown);
    const other = beside && beside !== onto ? this.state.layers[beside.data.layer] : null;
    const besides = !other || other.waits ? "" : other.aligned ? ` ${beside.data.short} too (${pxText(other.residual_px)}).` : ` ${beside.data.short} cannot be laid there.`;
    const apart = query.residual_px === null ? "" : ` (matched places ${pxText(query.residual_px)} apart on average)`;
    return `Aligned: your photo is laid over ${onto ? onto.data.short.toLowerCase() : "the reference"}${apart}.${besides} ${this.mode === "aligned" ? "" : "Choose “Aligned” to see it."}`;
  }

  alignedOf(pane) {
    return this.state?.layers[pane.data.layer]?.aligned ?? null;
  }

  // ---------------------------------------------------------------- what the box holds

  parts() {
    this.says = el("p", { class: "says", role: "status" });
    this.dialog = keyDialog();
    return [this.toolbar(), this.arrangement(), this.paneGrid(), this.says, el("p", { class: "caution" }, this.data.caution), this.tuning(), this.measured(), this.hint(), this.dialog, channelFilters()];
  }

  toolbar() {
    const bar = super.toolbar();
    const help = tool(null, "Show the keys", () => this.dialog.showModal(), { text: "Keys", keys: "?" });
    bar.insertBefore(help, bar.querySelector(".push"));
    return bar;
  }

  arrangement() {
    const radio = (label, onclick) => el("button", { type: "button", class: "tool", role: "radio", onclick }, label);
    this.modes = [["photographed", "As photographed"], ["aligned", "Aligned"]].map(([mode, label]) => radio(label, () => this.setMode(mode)));
    this.lays = LAYS.map(([lay, label]) => radio(label, () => this.setLay(lay)));
    this.modeGroup = radioGroup("Pictures", this.modes);
    this.layGroup = radioGroup("Arrangement", this.lays);
    return el("div", { class: "arrange" }, this.modeGroup, this.layGroup, this.besides(), this.subControls());
  }

  subControls() {
    this.playButton = tool(null, "Alternate by itself", () => this.play(!this.timer), { text: "Play" });
    this.rateChoice = el("select", { "aria-label": "How fast", onchange: () => this.setRate(Number(this.rateChoice.value)) }, ...RATES.map(([ms, label]) => el("option", { value: ms, selected: ms === this.rate }, label)));
    const series = this.panes.find((pane) => pane.data.series)?.data.name;
    const rounds = [["pair", "your photo and the reference"], ["all", "all on the desk"], ...(series ? [["series", `the photos of ${series}`]] : [])];
    if (!rounds.some(([round]) => round === this.round)) this.round = "pair";
    this.roundChoice = el("select", { "aria-label": "What alternates", onchange: () => this.setRound(this.roundChoice.value) }, ...rounds.map(([round, label]) => el("option", { value: round, selected: round === this.round }, label)));
    this.mapChoice = el("select", { "aria-label": "What is mapped", onchange: () => this.setMap(this.mapChoice.value) });
    this.legend = el("span", { class: "legend" });
    this.strengthRange = el("input", { type: "range", min: 0, max: 100, value: this.strength, "aria-label": "Opacity of the difference map, percent", oninput: () => this.setStrength(Number(this.strengthRange.value)) });
    this.strengthLabel = el("label", {}, el("span", { "aria-hidden": "true" }, "Opacity"), this.strengthRange);
    this.backButton = tool(null, "Back", () => this.goBack(), { text: "Back", keys: "B" });
    const group = (lay, ...nodes) => el("div", { class: "sub", "data-lay": lay }, ...nodes);
    this.subs = [
      group("swipe", el("span", {}, "Drag the bar, or use < and >")),
      group("alternate", this.playButton, tool(null, "Show the other picture", () => this.other(), { text: "Other", keys: "Space" }), this.rateChoice, this.roundChoice),
      group("differences", this.mapChoice, this.legend, this.strengthLabel),
    ];
    return el("div", { class: "row" }, el("div", { class: "subs" }, ...this.subs), this.backButton);
  }

  offerMaps() {
    const measures = this.measures();
    const names = measures?.overlays ?? [];
    if (!this.picked || !names.includes(this.map)) this.map = farthest(measures);
    this.mapChoice.replaceChildren(...names.map((name) => el("option", { value: name, selected: name === this.map }, name)));
    this.mapChoice.hidden = this.strengthLabel.hidden = !names.length;
    this.legend.replaceChildren(...legendOf(measures, this.state?.done));
    this.mapSays.replaceChildren(...mapWords(measures, this.map));
  }

  tuning() {
    const range = (label, name, least, most) => {
      const input = el("input", { type: "range", min: least, max: most, value: this[name], "aria-label": `${label}, percent`, oninput: () => this.tune(name, Number(input.value)) });
      this[`${name}Range`] = input;
      return el("label", {}, el("span", {}, label), input);
    };
    this.tapes = {
      ruler: tool(null, "Ruler", () => this.measureWith("ruler"), { text: "Ruler", keys: "M" }),
      protractor: tool(null, "Protractor", () => this.measureWith("protractor"), { text: "Protractor", keys: "O" }),
    };
    this.channels = CHANNELS.map(([channel, label]) => el("button", { type: "button", class: "tool", role: "radio", onclick: () => this.tune("channel", channel) }, label));
    this.channelGroup = radioGroup("Channel", this.channels);
    this.tapeSays = el("p", { class: "tape-says", role: "status" });
    this.tools = el(
      "div",
      { class: "tuning", role: "group", "aria-label": "Light and measuring" },
      range("Brightness", "brightness", 30, 300),
      range("Contrast", "contrast", 30, 300),
      this.channelGroup,
      el(
        "div",
        { class: "tools" },
        ...Object.values(this.tapes),
        tool(null, "Undo light, channel and measuring", () => this.tidyUp(), { text: "Clear" }),
      ),
      this.tapeSays,
    );
    return this.tools;
  }

  below() {
    return this.tools;
  }

  measured() {
    this.told = undefined;
    this.measuredBox = el("div", {});
    return this.measuredBox;
  }

  // ---------------------------------------------------------------- panes

  allPanes() {
    return [...this.panes, this.stack];
  }

  pane(data, number) {
    const pane = super.pane(data, number);
    pane.ink = new Ink();
    pane.note = el("div", { class: "none", hidden: true });
    pane.glass.append(pane.ink.node, pane.note);
    pane.glass.addEventListener("gone", () => this.poll());
    return pane;
  }

  // One pane that holds all pictures on top of each other.
  stackPane() {
    const glass = el("div", { class: "glass", role: "application", "aria-label": "Your photo over the reference" });
    this.divider = el("button", { type: "button", class: "divider", role: "slider", "aria-label": "Where the photo gives way to the reference, percent", "aria-valuemin": 0, "aria-valuemax": 100 });
    this.nowSeen = el("div", { class: "tag now" });
    this.sides = ["left", "right"].map((side) => el("div", { class: `tag side ${side}` }));
    this.both = el("div", { class: "both" });
    this.mapSays = el("p", { class: "map-says" });
    const pane = { data: { key: "stack", name: "" }, glass, layers: [new Layer()], cross: el("div", { class: "cross" }), offset: ONE, turn: 0, reference: false, touches: new Map(), ink: new Ink() };
    glass.append(pane.ink.node, ...this.sides, this.divider, this.nowSeen);
    this.listen(pane);
    this.slide();
    pane.node = el("figure", { class: "pane stack", "data-key": "stack" }, glass, el("figcaption", {}, this.mapSays, this.both));
    return pane;
  }

  // Of pictures on top of each other, those that are seen, and what the map over them means.
  savedWords(pane) {
    if (pane !== this.stack) return super.savedWords(pane);
    const wanted = this.stacked();
    if (this.lay === "alternate") return wordsOf(wanted[this.front]?.data ?? {});
    const sides = this.lay === "swipe" && wanted.length > 1 ? ["Left of the bar: ", "Right of the bar: "] : ["", ""];
    const captions = wanted.toReversed().flatMap(({ data }, number) => wordsOf({ ...data, heading: `${sides[number]}${data.heading}` }));
    return this.lay === "differences" ? [...this.savedMap(), ...captions] : captions;
  }

  savedMap() {
    const told = mapWords(this.measures(), this.map).map((part) => (typeof part === "string" ? part : `(${part.getAttribute("aria-label")})`));
    return [[BOLD, this.map ? `Differences: ${this.map}` : "Differences: no map"], [PLAIN, told.join("")]].filter(([, text]) => text);
  }

  sourceOf({ data }, aligned = null) {
    const kind = aligned ? "aligned" : "own";
    const [width, height] = aligned ? [aligned.width, aligned.height] : [data.width, data.height];
    const address = `${this.data.base}tile/${data.layer}/${kind}`;
    return { key: address, width, height, levels: aligned?.levels ?? halves(width, height), url: (level, column, row) => `${address}/${level}/${column}/${row}` };
  }

  dress() {
    const aligned = this.mode === "aligned";
    for (const pane of this.panes) {
      if (pane.data.missing) continue;
      const source = aligned ? this.alignedOf(pane) : null;
      const layer = this.state?.layers[pane.data.layer];
      const without = aligned && !source;
      pane.layers[0].box.hidden = without;
      pane.note.hidden = !without;
      pane.note.textContent = layer && !layer.waits ? `Cannot be laid over the others: ${layer.reason}. See it as photographed.` : "Being laid over the others…";
      if (!without) pane.layers[0].show(this.sourceOf(pane, source));
    }
    if (aligned && this.lay !== "beside") this.dressStack();
  }

  dressStack() {
    const wanted = this.stacked();
    while (this.stack.layers.length < wanted.length) this.stack.layers.push(new Layer());
    while (this.stack.layers.length > Math.max(1, wanted.length)) this.stack.layers.pop().box.remove();
    if (!wanted.length) this.stack.layers[0].clear();
    wanted.forEach((pane, number) => {
      const layer = this.stack.layers[number];
      layer.show(this.sourceOf(pane, this.alignedOf(pane)));
      if (!layer.box.isConnected) this.stack.glass.insertBefore(layer.box, this.stack.ink.node);
    });
    const [below, above] = this.stack.layers;
    const top = this.stack.layers.at(-1);
    this.front = wanted.length ? (this.front ?? wanted.length - 1) % wanted.length : 0;
    for (const layer of this.stack.layers) {
      layer.box.style.clipPath = "";
      layer.cut = undefined;
      layer.box.hidden = false;
      layer.box.classList.remove("veiled", "greyed");
      if (layer.map) layer.map.hidden = true;
    }
    if (this.lay === "swipe" && above) {
      above.cut = this.split;
      above.box.style.clipPath = `inset(0 ${(1 - this.split) * 100}% 0 0)`;
    }
    if (this.lay === "alternate") this.stack.layers.forEach((layer, number) => layer.box.classList.toggle("veiled", number !== this.front));
    if (this.lay === "differences") {
      if (above) below.box.hidden = true;
      if (top) this.layMap(top);
    }
    const apart = this.lay === "swipe" && above;
    this.sides.forEach((side, number) => side.replaceChildren(...(apart ? badgesOf([wanted.at(-1 - number)]) : [])));
    this.nowSeen.replaceChildren(...(apart ? [] : this.tagsOf(wanted)));
    this.mapSays.hidden = this.lay !== "differences";
    this.both.replaceChildren(...wanted.toReversed().map((pane) => el("div", {}, ...this.caption(pane.data).childNodes)));
  }

  // The panes that lie on top of each other, the lowest first.
  stacked() {
    const reference = this.panes.find((pane) => pane.data.key === this.shown);
    const series = this.panes.find((pane) => pane.data.series)?.data.name;
    const round = {
      pair: [reference, this.panes[0]],
      all: [...this.panes].reverse(),
      series: this.panes.filter((pane) => pane.data.name === series),
    }[this.lay === "alternate" ? this.round : "pair"];
    return round.filter((pane) => pane && !pane.data.missing && this.alignedOf(pane));
  }

  tagsOf(wanted) {
    const seen = this.lay === "alternate" ? [wanted[this.front]] : this.lay === "differences" ? [wanted.at(-1)] : wanted;
    const missing = wanted.length < 2 && this.lay !== "differences" ? [this.state.done ? "These cannot be laid over each other; choose others." : "The others are being laid under it…"] : [];
    return [...badgesOf(seen.filter(Boolean)), ...missing];
  }

  layMap(layer) {
    const pane = this.panes.find((one) => one.data.key === this.shown);
    if (!this.measures()?.overlays.includes(this.map)) return;
    layer.map ??= el("img", { class: "map", alt: "" });
    const address = `${this.data.base}map/${pane.data.layer}/${encodeURIComponent(this.map)}`;
    if (layer.map.getAttribute("src") !== address) layer.map.src = address;
    if (!layer.map.isConnected) layer.sheet.append(layer.map);
    layer.map.hidden = false;
    layer.map.style.opacity = this.strength / 100;
    layer.box.classList.add("greyed");
  }

  turnOf(pane) {
    return this.mode === "aligned" ? this.quarter : pane.turn;
  }

  turn() {
    if (this.mode !== "aligned") return super.turn();
    this.quarter = (this.quarter + 1) % 4;
    this.paint();
  }

  // ---------------------------------------------------------------- what the hand does

  setMode(mode) {
    if (mode === "aligned" && !this.alignedOf(this.panes[0])) return;
    this.chosenMode = true;
    this.mode = mode;
    if (mode === "photographed") this.setLay("beside", mode);
    this.news();
  }

  setLay(lay, mode = "aligned") {
    if (lay !== "beside" && !this.alignedOf(this.panes[0])) return;
    if (lay !== "beside") this.mode = mode;
    this.stop();
    this.lay = lay;
    this.front = null;
    this.news();
  }

  slide() {
    const to = (share) => {
      this.split = clamp(share, 0, 1);
      this.paint();
    };
    this.nudge = (way) => to(this.split + way);
    this.divider.addEventListener("keydown", (event) => {
      const way = { ArrowLeft: -0.02, ArrowRight: 0.02, PageDown: -0.1, PageUp: 0.1, Home: -1, End: 1 }[event.key];
      if (!way) return;
      event.preventDefault();
      event.stopPropagation();
      this.nudge(event.shiftKey ? 5 * way : way);
    });
    this.divider.addEventListener("pointerdown", (event) => {
      this.divider.setPointerCapture(event.pointerId);
      event.stopPropagation();
    });
    this.divider.addEventListener("pointermove", (event) => {
      if (!this.divider.hasPointerCapture(event.pointerId)) return;
      event.stopPropagation();
      to(this.spot(this.stack, event).x);
    });
  }

  other() {
    if (this.lay !== "alternate") return;
    this.front = (this.front + 1) % Math.max(1, this.stacked().length);
    this.paint();
  }

  play(on) {
    this.stop();
    if (on) this.timer = setInterval(() => (this.root.isConnected ? this.other() : this.stop()), this.rate);
    this.playButton.lastChild.textContent = on ? "Pause" : "Play";
    this.playButton.setAttribute("aria-pressed", String(on));
  }

  stop() {
    clearInterval(this.timer);
    this.timer = null;
    if (this.playButton) {
      this.playButton.lastChild.textContent = "Play";
      this.playButton.setAttribute("aria-pressed", "false");
    }
  }

  setRate(ms) {
    this.rate = ms;
    if (this.timer) this.play(true);
  }

  setRound(round) {
    this.round = round;
    this.front = null;
    this.paint();
  }

  setMap(name) {
    Object.assign(this, { map: name, picked: true });
    this.offerMaps();
    this.paint();
  }

  setStrength(percent) {
    this.strength = percent;
    this.paint();
  }

  tune(name, value) {
    this[name] = value;
    if (this[`${name}Range`]) this[`${name}Range`].value = value;
    this.paint();
  }

  tidyUp() {
    Object.assign(this, { tape: null, rings: [] });
    this.tune("brightness", 100);
    this.tune("contrast", 100);
    this.tune("channel", "colour");
  }

  show(key) {
    if (key !== this.shown) this.rings = [];
    super.show(key);
    this.news();
  }

  keys(pane, far) {
    const reference = () => {
      const all = this.panes.filter((one) => one.reference).map((one) => one.data.key);
      this.show(all[(all.indexOf(this.shown) + 1) % all.length]);
    };
    const channel = () => this.tune("channel", CHANNELS[(CHANNELS.findIndex(([name]) => name === this.channel) + 1) % CHANNELS.length][0]);
    return {
      ...super.keys(pane, far),
      p: () => this.setMode(this.mode === "aligned" ? "photographed" : "aligned"),
      s: () => this.setLay("beside"),
      w: () => this.setLay("swipe"),
      a: () => this.setLay("alternate"),
      d: () => this.setLay("differences"),
      n: reference,
      b: () => this.goBack(),
      c: channel,
      " ": () => this.other(),
      "<": () => this.nudge(-0.02),
      ",": () => this.nudge(-0.02),
      ">": () => this.nudge(0.02),
      ".": () => this.nudge(0.02),
      "[": () => this.tune("brightness", clamp(this.brightness - 10, 30, 300)),
      "]": () => this.tune("brightness", clamp(this.brightness + 10, 30, 300)),
      m: () => this.measureWith("ruler", pane),
      o: () => this.measureWith("protractor", pane),
      "?": () => this.dialog.showModal(),
    };
  }

  // Lays a ruler or protractor across the middle of what is seen; its ends are then moved.
  measureWith(kind, pane = null) {
    const home = pane ?? this.eye();
    if (!home) return;
    if (this.tape?.kind === kind) this.tape = null;
    else {
      const [layer, w, h] = [seenLayer(home), home.glass.clientWidth, home.glass.clientHeight];
      const places = kind === "ruler" ? [[0.3, 0.5], [0.7, 0.5]] : [[0.7, 0.35], [0.35, 0.6], [0.75, 0.6]];
      this.tape = { kind, home: home.data.key, mode: this.mode, points: places.map(([x, y]) => layer.toFrame(x * w, y * h)) };
    }
    this.paint();
    home.glass.querySelector(".knob")?.focus();
  }

  visit(reference, figure, place, number) {
    const pane = this.panes.find((one) => one.data.layer === reference);
    if (pane && pane.data.key !== this.shown) this.show(pane.data.key);
    if (figure.map) Object.assign(this, { map: figure.name, picked: true });
    const back = { words: "Back to the figures", node: () => this.measuredBox.querySelector(`[data-place="${reference} ${figure.name} ${number}"]`) };
    this.visitPlace({ ...place, name: `${figure.name}, place ${number + 1}`, back });
  }

  // A place of the frame, or the desk as it is where none is named; `back` says where from.
  visitPlace({ x, y, radius, name, back }) {
    if (x !== undefined && this.alignedOf(this.panes[0])) {
      this.mode = "aligned";
      this.rings = [{ x, y, radius, name, strong: true }];
      this.news();
      this.lookAt(x + 0.5, y + 0.5, radius);
    }
    this.back = back;
    this.paint();
    this.comeIntoSight();
  }

  // Tools and pictures in sight, and the keyboard in the picture.
  comeIntoSight() {
    if (this.root.getRootNode().fullscreenElement === this.box) this.box.scrollTo(0, 0);
    else this.box.scrollIntoView({ block: "start" });
    this.eye()?.glass.focus({ preventScroll: true });
  }

  goBack() {
    const node = this.back?.node();
    this.back = null;
    this.paint();
    node?.closest("details")?.setAttribute("open", "");
    node?.scrollIntoView({ block: "center" });
    node?.focus({ preventScroll: true });
  }

  lookAt(x, y, radius) {
    const pane = this.eye();
    if (!pane) return;
    const [layer, { clientWidth: w, clientHeight: h }] = [seenLayer(pane), pane.glass];
    const now = layer.toPane(x, y);
    const at = { x: (now.x / w - this.view.tx) / this.view.s, y: (now.y / h - this.view.ty) / this.view.s };
    const s = clamp(Math.min(w, h) / (6 * radius * layer.scale), 1, DEEPEST);
    this.view = hold({ s, tx: 0.5 - s * at.x, ty: 0.5 - s * at.y });
  }

  // ---------------------------------------------------------------- painting

  paint() {
    if (!this.says) return;
    const stacked = this.mode === "aligned" && this.lay !== "beside";
    this.box.classList.toggle("stacked", stacked);
    this.dress();
    const able = Boolean(this.alignedOf(this.panes[0]));
    this.modes[1].disabled = !able;
    this.lays.slice(1).forEach((button) => (button.disabled = !able));
    this.modeGroup.check(this.mode === "aligned" ? 1 : 0);
    this.layGroup.check(LAYS.findIndex(([lay]) => lay === (stacked ? this.lay : "beside")));
    this.subs.forEach((sub) => sub.classList.toggle("off", sub.dataset.lay !== (stacked ? this.lay : "beside")));
    this.channelGroup.check(CHANNELS.findIndex(([name]) => name === this.channel));
    for (const [kind, button] of Object.entries(this.tapes)) button.setAttribute("aria-pressed", String(this.tape?.kind === kind));
    this.divider.hidden = !(stacked && this.lay === "swipe");
    this.divider.style.left = `${this.split * 100}%`;
    this.sides[0].style.right = `calc(${(1 - this.split) * 100}% + ${BESIDE_BAR_PX}px)`;
    this.sides[1].style.left = `calc(${this.split * 100}% + ${BESIDE_BAR_PX}px)`;
    this.backButton.hidden = !this.back;
    if (this.back) nameTool(this.backButton, this.back.words);
    this.divider.setAttribute("aria-valuenow", String(Math.round(this.split * 100)));
    this.tellTape();
    super.paint();
    const channel = this.channel === "colour" ? "" : ` url(#channel-${this.channel})`;
    for (const pane of this.allPanes()) {
      if (pane.data.missing) continue;
      for (const layer of pane.layers) layer.box.style.filter = `brightness(${this.brightness}%) contrast(${this.contrast}%)${channel}`;
      this.mark(pane);
    }
  }

  mark(pane) {
    const aligned = this.mode === "aligned";
    const pxPerMm = this.scaleOf(pane);
    const here = this.tape && this.tape.mode === this.mode && (aligned || this.tape.home === pane.data.key);
    const layer = seenLayer(pane) ?? pane.layers[0];
    const apart = this.apartOf(pane);
    pane.ink.draw(layer, { pxPerMm, apart, tape: here ? this.tape : null, rings: aligned ? this.rings : [] });
    const own = here && this.tape.home === pane.data.key;
    this.knobs(pane, layer, own, pxPerMm, apart);
  }

  scaleOf(pane) {
    return this.mode === "aligned" ? this.state.frame.px_per_mm : pane.data.px_per_mm;
  }

  tellTape() {
    const home = this.tape?.kind === "ruler" && this.tape.mode === this.mode && this.allPanes().find((pane) => pane.data.key === this.tape.home);
    const frame = this.mode === "aligned" && this.panes.find((pane) => pane.data.layer === this.state.frame.key);
    const words = home ? rulerWords(this.scaleOf(home), frame ? frame.data.short : null) : "";
    if (this.tapeSays.textContent !== words) this.tapeSays.textContent = words;
  }

  // How far off the places of a picture lie in the frame on average, px; 0 where it is the frame.
  apartOf(pane) {
    if (this.mode !== "aligned") return 0;
    const keys = pane === this.stack ? this.stacked().map((one) => one.data.layer) : [pane.data.layer];
    return Math.max(0, ...keys.map((key) => this.state.layers[key]?.residual_px ?? 0));
  }

  knobs(pane, layer, here, pxPerMm, apart) {
    const wanted = here ? this.tape.points.length : 0;
    let knobs = [...pane.glass.querySelectorAll(".knob")];
    while (knobs.length > wanted) knobs.pop().remove();
    while (knobs.length < wanted) {
      const knob = this.knob(pane, knobs.length);
      pane.glass.append(knob);
      knobs = [...knobs, knob];
    }
    knobs.forEach((knob, number) => {
      const at = layer.toPane(this.tape.points[number].x, this.tape.points[number].y);
      knob.style.left = `${at.x}px`;
      knob.style.top = `${at.y}px`;
      const { kind, points } = this.tape;
      const reads = kind === "ruler" ? lengthText(Math.hypot(points[1].x - points[0].x, points[1].y - points[0].y), pxPerMm, slackOf(layer, apart)) : `${angleBetween(points).toFixed(1)} degrees`;
      knob.setAttribute("aria-label", `${kind}, end ${number + 1} of ${points.length}: ${reads}`);
    });
  }

  knob(pane, number) {
    const knob = el("button", { type: "button", class: "knob" });
    const layer = () => seenLayer(pane) ?? pane.layers[0];
    const move = (dx, dy) => {
      const at = layer().toPane(this.tape.points[number].x, this.tape.points[number].y);
      this.tape.points[number] = layer().toFrame(at.x + dx, at.y + dy);
      this.paint();
    };
    knob.addEventListener("keydown", (event) => {
      const far = event.shiftKey ? 10 : 1;
      const way = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] }[event.key];
      if (event.key === "Escape") {
        this.tape = null;
        this.paint();
        pane.glass.focus();
      }
      if (!way) return;
      event.preventDefault();
      event.stopPropagation();
      move(...way);
    });
    knob.addEventListener("pointerdown", (event) => {
      knob.setPointerCapture(event.pointerId);
      event.stopPropagation();
    });
    knob.addEventListener("pointermove", (event) => {
      if (!knob.hasPointerCapture(event.pointerId)) return;
      event.stopPropagation();
      const rect = pane.glass.getBoundingClientRect();
      this.tape.points[number] = layer().toFrame(event.clientX - rect.left, event.clientY - rect.top);
      this.paint();
    });
    return knob;
  }
}

const pxText = (px) => `${px < 0.1 ? "less than 0.1" : px.toFixed(1)} px`;
const badgesOf = (panes) => panes.map((pane) => badge(pane.data.standing, pane.data.short));
const BESIDE_BAR_PX = 10;
// What of the data makes the desk what it is.
const laidBy = ({ label, base, panes, words, footnote, caution, doubt, beside, awaited }) => ({ label, base, panes, words, footnote, caution, doubt, beside, awaited });

function nameTool(button, words) {
  button.setAttribute("aria-label", words);
  button.title = `${words} (${button.getAttribute("aria-keyshortcuts")})`;
  button.lastChild.textContent = words;
}

// One channel as grey, by the weights of sRGB luminance for "grey" (IEC 61966-2-1).
function channelFilters() {
  const rows = { red: "1 0 0", green: "0 1 0", blue: "0 0 1", grey: ".2126 .7152 .0722" };
  const node = svg(0);
  for (const [name, weights] of Object.entries(rows)) {
    const filter = document.createElementNS(SVG, "filter");
    filter.id = `channel-${name}`;
    filter.setAttribute("color-interpolation-filters", name === "grey" ? "linearRGB" : "sRGB");
    const matrix = document.createElementNS(SVG, "feColorMatrix");
    matrix.setAttribute("values", `${`${weights} 0 0 `.repeat(3)}0 0 0 1 0`);
    filter.append(matrix);
    node.append(filter);
  }
  return node;
}

// The page may put the desk away and lay it out again when it runs: what was open stays open.
let latest = null;

// "See it on the desk" of a point comes from another component of the page.
export default function (component) {
  const same = latest && !latest.root.isConnected && latest.data.base === component.data.base;
  const unmount = mountGlass(component, Desk, same ? latest : null);
  const { glass } = component.parentElement.querySelector(".root");
  latest = glass;
  const look = ({ detail }) => glass.visitPlace(detail);
  window.addEventListener("loupebook-look", look);
  return () => {
    window.removeEventListener("loupebook-look", look);
    unmount();
  };
}
