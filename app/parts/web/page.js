// Runs once with the document, so that it holds before any component has loaded.
// On a phone the menu lies over the page: choosing a page closes it.
document.addEventListener("click", ({ target }) => {
  if (!matchMedia("(max-width: 768px)").matches || !target.closest?.("[data-testid=stSidebarNavLink]")) return;
  requestAnimationFrame(() => document.querySelector("[data-testid=stSidebarCollapseButton] button")?.click());
});
