// What the offline page's stage needs of three.js; bundled by `npm run bundle`.
export {
  AmbientLight, BufferAttribute, BufferGeometry, CanvasTexture, CircleGeometry, Color, DirectionalLight,
  DoubleSide, EdgesGeometry, Float32BufferAttribute, FrontSide, Group, HemisphereLight, Line,
  LineBasicMaterial, LineSegments, Matrix4, Mesh, MeshBasicMaterial, MeshStandardMaterial,
  PerspectiveCamera, Quaternion, Raycaster, Scene, SphereGeometry, Sprite, SpriteMaterial,
  SRGBColorSpace, Vector2, Vector3, WebGLRenderer, REVISION,
} from "three";
export { OrbitControls } from "three/addons/controls/OrbitControls.js";
