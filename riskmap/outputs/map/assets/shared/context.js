// What the modules of a page share from its start: the values of the page and its map. The page sets each of them once.

export let about = null;
export let map = null;

export function setAbout(values) { about = values; }
export function setMap(made) { map = made; }
