// One way of working on all maps at a time.
if (mode.active !== 1 && sketch.data.x.length) sketch.data = {x: [], y: []};
const names = ["point", "corners", "free-hand", "zoom", "pan"];
const now = names[mode.active];
for (const name of names) for (const tool of (tools[name] || [])) tool.active = false;
for (const tool of (tools[now] || [])) tool.active = true;
