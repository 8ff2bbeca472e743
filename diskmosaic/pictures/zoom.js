// The page's own part: layers of tiles, the slider between two of them, marks, keys. Leaflet pans and zooms.
"use strict";
(function () {
  const page = JSON.parse(document.getElementById("data").textContent);
  const element = (id) => document.getElementById(id);
  // On a screen with small pixels a finer level is shown at half the size
  const finer = window.devicePixelRatio >= 1.5 ? 1 : 0;
  const onScreen = window.devicePixelRatio || 1;
  const bounds = L.latLngBounds([-page.height, 0], [0, page.width]);
  const full = -Math.log2(onScreen); // zoom at which a pixel of the picture is one of the screen

  const map = L.map("view", {
    crs: L.CRS.Simple, zoomControl: false, attributionControl: false, zoomSnap: 0, zoomDelta: 1, wheelPxPerZoomLevel: 120,
    minZoom: -page.levels, maxZoom: full + 3, maxBounds: bounds.pad(0.5), maxBoundsViscosity: 0.7,
  });

  const Layer = L.TileLayer.extend({
    getTileUrl(at) { return `${this.options.name}_files/${page.levels + at.z + finer}/${at.x}_${at.y}.jpg`; },
  });
  // The last tile of a row or column is narrower. Between whole levels tiles end between the screen's pixels, and what
  // lies behind would show as lines: there each reaches a little over the next.
  function fitTile(tile) {
    const by = (page.tile >> finer) / page.tile, over = Number.isInteger(map.getZoom()) ? 0 : 1;
    tile.style.width = `${tile.naturalWidth * by + over}px`;
    tile.style.height = `${tile.naturalHeight * by + over}px`;
  }
  map.on("zoomend", () => {
    for (const tile of document.querySelectorAll("img.leaflet-tile-loaded")) fitTile(tile);
  });
  function layer(name, pane) {
    map.createPane(pane).style.zIndex = pane === "before" ? 250 : 240;
    const tiles = new Layer("", {
      name, pane, bounds, tileSize: page.tile >> finer, minZoom: -page.levels, maxZoom: full + 3, minNativeZoom: -page.levels - finer,
      maxNativeZoom: -finer, keepBuffer: 3,
    });
    tiles.on("tileload", (event) => fitTile(event.tile));
    return tiles;
  }
  layer("disk", "shown").addTo(map);
  const before = page.layers.includes("before") ? layer("before", "before") : null;

  // Marks: drawn as lines, so that they stay fine at every zoom
  const marks = L.layerGroup();
  for (const line of page.grid) {
    marks.addLayer(L.polyline(line.map(([y, x]) => [-y, x]), { color: "#9fd3ff", weight: 1, opacity: 0.75, smoothFactor: 0.2, interactive: false }));
  }
  for (const mark of page.marks) {
    const icon = L.divIcon({ className: "mark", html: mark.text, iconSize: [24, 24] });
    marks.addLayer(L.marker([-mark.at[0], mark.at[1]], { icon, interactive: false, keyboard: false }));
  }

  function whole(options) {
    if (!page.limb) { map.fitBounds(bounds, options); return; }
    const [y, x, r] = page.limb.map((n, k) => (k === 2 ? 1.12 * n : n));
    map.fitBounds([[-(y + r), x - r], [-(y - r), x + r]], options);
  }
  const percent = () => Math.round(100 * onScreen * 2 ** map.getZoom());
  function tell() {
    element("scale").textContent = `${percent()} %`;
    element("view").classList.toggle("whole-pixels", percent() >= 300);
  }

  // The slider: the pane of the other version is cut where the divider stands
  const divider = element("divider");
  let share = 0.5;
  function cut() {
    if (!before) return;
    const pane = map.getPane("before"), size = map.getSize();
    const from = map.containerPointToLayerPoint([-size.x, -size.y]);
    const to = map.containerPointToLayerPoint([share * size.x, 2 * size.y]);
    pane.style.clipPath = `polygon(${from.x}px ${from.y}px, ${to.x}px ${from.y}px, ${to.x}px ${to.y}px, ${from.x}px ${to.y}px)`;
    divider.style.left = `${100 * share}%`;
    divider.setAttribute("aria-valuenow", Math.round(100 * share));
  }
  function slide(to) { share = Math.min(1, Math.max(0, to)); cut(); }
  function toggle(button, layers, on) {
    button.setAttribute("aria-pressed", String(on));
    if (on) layers.addTo(map); else layers.remove();
  }
  const pressed = (id) => element(id).getAttribute("aria-pressed") === "true";
  function compare() {
    if (!before) return;
    const on = !pressed("compare");
    toggle(element("compare"), before, on);
    divider.hidden = !on;
    slide(0.5);
  }
  function showMarks() { toggle(element("marks"), marks, !pressed("marks")); }

  element("before-name").textContent = page.labels.before;
  element("shown-name").textContent = page.labels.shown;
  element("compare").hidden = !before;
  element("marks").hidden = !page.grid.length;
  L.DomEvent.disableClickPropagation(divider);
  divider.addEventListener("pointerdown", (event) => {
    divider.setPointerCapture(event.pointerId);
    map.dragging.disable();
  });
  divider.addEventListener("pointermove", (event) => {
    if (!divider.hasPointerCapture(event.pointerId)) return;
    const box = element("view").getBoundingClientRect();
    slide((event.clientX - box.left) / box.width);
  });
  for (const name of ["pointerup", "pointercancel"]) divider.addEventListener(name, () => map.dragging.enable());
  divider.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -0.05, ArrowRight: 0.05, Home: -1, End: 1 }[event.key];
    if (step === undefined) return;
    slide(share + step);
    event.preventDefault();
    event.stopPropagation();
  });

  const hundred = () => map.setZoom(full);
  element("closer").addEventListener("click", () => map.zoomIn());
  element("further").addEventListener("click", () => map.zoomOut());
  element("whole").addEventListener("click", () => whole());
  element("full").addEventListener("click", hundred);
  element("compare").addEventListener("click", compare);
  element("marks").addEventListener("click", showMarks);
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const action = { 0: () => whole(), 1: hundred, c: compare, g: showMarks }[event.key];
    if (action) action();
  });
  map.on("move zoom zoomend resize viewreset", cut);
  map.on("zoom zoomend", tell);
  const fit = () => { // never so small that the picture is lost
    map.invalidateSize({ animate: false });
    map.setMinZoom(map.getBoundsZoom(bounds) - 1);
  };
  if (window.innerWidth <= 600) element("about").open = false;
  fit();
  whole({ animate: false });
  new ResizeObserver(fit).observe(element("view"));
  tell();
  window.sunView = { map, slide, percent }; // for those who build on the page, and for its tests
})();
