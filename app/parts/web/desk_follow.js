// Follows the state of a desk on the server until everything is ready.
//
// onState gets each new state; onGone is called when the desk was put away. Ends when
// wanted() is false, when the page has done with the desk (204), or when the state is done and
// enough(state) says so.
async function followDesk(base, { wanted, onState, onGone, enough = () => true }) {
  let version = -1;
  while (wanted()) {
    const answer = await fetch(`${base}state?version=${version}`).catch(() => null);
    if (!wanted()) return;
    if (answer?.status === 204) return;
    if (answer?.status === 410) return onGone();
    if (!answer?.ok) {
      await new Promise((then) => setTimeout(then, 1500));
      continue;
    }
    const state = await answer.json();
    version = state.version;
    onState(state);
    if (state.done && enough(state)) return;
  }
}
