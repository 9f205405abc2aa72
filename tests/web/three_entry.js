// What the offline page's stage needs of three.js; bundled by `npm run bundle`.
export {
  AlwaysStencilFunc, BufferAttribute, BufferGeometry, Color, DirectionalLight,
  DoubleSide, EdgesGeometry, EqualStencilFunc, Float32BufferAttribute, Group, HemisphereLight, Line,
  LineBasicMaterial, LineSegments, Matrix4, Mesh, MeshBasicMaterial, MeshStandardMaterial,
  NotEqualStencilFunc, PerspectiveCamera, Quaternion, ReplaceStencilOp, REVISION, Scene,
  SphereGeometry, Vector3, WebGLRenderer,
} from "three";
export { OrbitControls } from "three/addons/controls/OrbitControls.js";
