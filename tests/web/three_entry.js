// What the offline page's stage needs of three.js; bundled by `npm run bundle`.
export {
  AlwaysStencilFunc, BufferAttribute, BufferGeometry, Color, DirectionalLight,
  DoubleSide, EdgesGeometry, EqualStencilFunc, Float32BufferAttribute, Group, HemisphereLight,
  IncrementStencilOp, Line, LineBasicMaterial, LineSegments, Matrix4, Mesh, MeshBasicMaterial,
  MeshLambertMaterial, MeshStandardMaterial, PerspectiveCamera, Quaternion, ReplaceStencilOp,
  REVISION, Scene, SphereGeometry, Vector3, WebGLRenderer,
} from "three";
export { OrbitControls } from "three/addons/controls/OrbitControls.js";
