// Views: a view maps a pane (1 wide, 1 high) onto itself: x' = s·x + tx, y' = s·y + ty.
const ONE = { s: 1, tx: 0, ty: 0 };
const DEEPEST = 200;
const STEP = 1.3;
const CENTRE = { x: 0.5, y: 0.5 };
const after = (outer, inner) => ({
  s: outer.s * inner.s,
  tx: outer.s * inner.tx + outer.tx,
  ty: outer.s * inner.ty + outer.ty,
});
const inverse = (view) => ({ s: 1 / view.s, tx: -view.tx / view.s, ty: -view.ty / view.s });
const zoomAbout = (factor, at) => ({ s: factor, tx: at.x * (1 - factor), ty: at.y * (1 - factor) });
const shift = (dx, dy) => ({ s: 1, tx: dx, ty: dy });
const hold = (view) => {
  const s = clamp(view.s, 1, DEEPEST);
  return { s, tx: clamp(view.tx, 1 - s, 0), ty: clamp(view.ty, 1 - s, 0) };
};
