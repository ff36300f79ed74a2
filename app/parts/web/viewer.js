// One photo, or several that are sent whole, under the glass.
export default function (component) {
  return mountGlass(component, Glass);
}
